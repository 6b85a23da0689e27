//! The order of work for a folder; the only place that knows every room.
