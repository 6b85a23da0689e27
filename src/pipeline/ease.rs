//! Says when much memory has become free; the program's start knows how to give it back to the system.

use std::sync::OnceLock;

static GIVE_BACK: OnceLock<fn()> = OnceLock::new();

/// Names the way to give memory back; only the first one counts.
pub fn give_back_by(way: fn()) {
    let _ = GIVE_BACK.set(way);
}

/// Gives back what is free.
pub(super) fn give_back() {
    if let Some(way) = GIVE_BACK.get() {
        way();
    }
}
