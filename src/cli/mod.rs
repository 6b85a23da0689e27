//! Arguments, progress and the words of messages.
