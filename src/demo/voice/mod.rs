//! The sounds: every voice turns one note or stroke into samples of its own, dry and alone.
//!
//! Conventions: mono `f32` from the onset on; no voice knows the room, the level of the player or the tape.

pub(super) mod drums;
pub(super) mod partials;
pub(super) mod piano;
pub(super) mod speech;
pub(super) mod strings;
pub(super) mod wind;
