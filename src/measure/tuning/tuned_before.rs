//! Whether a player tuned before the first take, and how long it took.
//!
//! Conventions: seconds.
//!
//! Method: the time from the first open string to the last of each go at tuning before the first take, goes being parted by
//! pauses.
//!
//! Limits: who tunes silently, by ear on stopped notes or while the others play is not heard.

use crate::stats::Measured;

use super::strings::{OpenString, StringPlayer};

/// Open strings that follow within this time of each other are one go, seconds.
const PAUSE_S: f64 = 15.0;
/// How well the length of a go is known, half of a 95 % interval, seconds: 140 players of 120 rendered tapes are told within 0.2 s
/// in the middle, within 1.5 s on 134 (a string of another player is now and then taken for theirs, one of theirs missed).
const GO_KNOWN_S: f64 = 1.5;

/// Seconds that `player` was heard tuning before `first_take_s`, of `soundings` in time order; absent with "no_tuning_heard".
pub fn tuned_before(soundings: &[OpenString], first_take_s: f64, player: StringPlayer) -> Measured {
    let own = soundings.iter().filter(|s| s.player == player && s.sounded_at_s < first_take_s);
    let (mut total_s, mut goes, mut strings) = (0.0, 0u32, 0u64);
    let mut last_s = f64::NEG_INFINITY;
    for s in own {
        let from_s = if s.sounded_at_s - last_s < PAUSE_S {
            last_s
        } else {
            goes += 1;
            s.sounded_at_s
        };
        total_s += s.ended_at_s - from_s;
        last_s = s.ended_at_s;
        strings += 1;
    }
    if strings == 0 {
        return Measured::absent("no_tuning_heard");
    }
    Measured::symmetric(total_s, GO_KNOWN_S * f64::from(goes).sqrt(), strings)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn string(player: StringPlayer, at_s: f64) -> OpenString {
        let offset = Measured::symmetric(0.0, 2.5, 20);
        OpenString {
            player,
            string_midi: 33,
            sounded_at_s: at_s,
            ended_at_s: at_s + 2.0,
            offset_from_a440_cents: offset,
        }
    }

    #[test]
    fn goes_at_tuning_are_added_and_pauses_and_other_players_are_not() {
        let at = |seconds: &[f64]| seconds.iter().map(|s| string(StringPlayer::Bass, *s)).collect::<Vec<_>>();
        let mut all = at(&[10.0, 14.0, 60.0, 63.0, 200.0]);
        all.push(string(StringPlayer::Guitar, 205.0));
        let bass = tuned_before(&all, 100.0, StringPlayer::Bass);
        assert_eq!((bass.value, bass.n), (Some(6.0 + 5.0), Some(4)), "10 to 16 s and 60 to 65 s");
        let guitar = tuned_before(&all, 100.0, StringPlayer::Guitar);
        assert_eq!(guitar.reason.as_deref(), Some("no_tuning_heard"));
        assert_eq!(tuned_before(&all, f64::INFINITY, StringPlayer::Guitar).value, Some(2.0));
    }
}
