//! Measures become ranked statements with evidence.
