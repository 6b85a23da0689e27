//! A recording that hears one layer of the band alone: its recorder stood close to that player, not in the room.
//!
//! Conventions: levels of whole takes, against the band; a recording by itself proves nothing: a band may be swamped by one player.
//! Only beside another recording of the same playing, which hears that player as one of several, can it be told.

use super::{LAYERS, Layer, LayerLevels};

/// Alone is a layer at least this loud against the whole, LU, with every other softer than [`OTHERS_LU`]. Fifty-two close recordings
/// of fourteen mixes (`benches/close`): -1.3 and more in each part; room recordings' bass -1.1, drums -3.2 and less.
const ALONE_LU: f64 = -0.9;
const OTHERS_LU: f64 = -10.0;
/// In the room the same layer is at most this loud, LU, and others are louder than [`COMPANY_LU`].
const ROOM_LU: f64 = -1.5;
const COMPANY_LU: f64 = -9.5;
/// Reasons of a layer that is too soft to be stated.
const SOFT: [&str; 2] = ["covered", "not_playing"];

/// The layer that is heard alone in every one of these takes; `None` for a room recording, for no take, and in doubt.
pub fn heard_alone(takes: &[LayerLevels]) -> Option<Layer> {
    let alone = |layer: Layer, take: &LayerLevels| {
        take.re_band_lu.iter().enumerate().all(|(at, level)| match (level.value, &level.reason) {
            (Some(level), _) if at == layer as usize => level >= ALONE_LU,
            (Some(level), _) => level <= OTHERS_LU,
            (None, Some(reason)) => at != layer as usize && SOFT.contains(&reason.as_str()),
            (None, None) => false,
        })
    };
    LAYERS.into_iter().find(|layer| !takes.is_empty() && takes.iter().all(|take| alone(*layer, take)))
}

/// True when `layer` is one of several in every one of these takes.
pub fn hears_among_others(layer: Layer, takes: &[LayerLevels]) -> bool {
    let among = |take: &LayerLevels| {
        let level = |at: usize| take.re_band_lu[at].value;
        let mut company = (0..LAYERS.len()).filter(|at| *at != layer as usize);
        level(layer as usize).is_some_and(|own| own <= ROOM_LU)
            && company.any(|at| level(at).is_some_and(|other| other >= COMPANY_LU))
    };
    !takes.is_empty() && takes.iter().all(among)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Measured;

    fn take(levels: [f64; 4]) -> LayerLevels {
        let m = |v: f64| if v < -15.0 { Measured::absent("covered") } else { Measured::symmetric(v, 1.0, 50) };
        LayerLevels { lufs: levels.map(|v| m(v).clone()), re_band_lu: levels.map(m), whole_lufs: Some(-20.0) }
    }

    #[test]
    fn a_layer_is_alone_only_where_it_is_so_in_every_take() {
        let near = take([-0.4, -16.0, -12.0, -16.0]);
        let room = take([-4.0, -6.0, -7.0, -5.0]);
        assert_eq!(heard_alone(&[near.clone(), near.clone()]), Some(Layer::Bass));
        assert_eq!(heard_alone(&[near.clone(), room.clone()]), None);
        assert_eq!(heard_alone(&[]), None);
        // A swamped room, and a recorder between two players.
        assert_eq!(heard_alone(&[take([-0.8, -9.0, -11.0, -16.0])]), None);
        assert_eq!(heard_alone(&[take([-3.0, -3.0, -16.0, -16.0])]), None);
        // A level that is not stated for another reason proves nothing.
        let mut unknown = near.clone();
        unknown.re_band_lu[2] = Measured::absent("too_short");
        assert_eq!(heard_alone(&[unknown]), None);
    }

    #[test]
    fn the_room_hears_the_player_among_others() {
        assert!(hears_among_others(Layer::Bass, &[take([-4.0, -6.0, -16.0, -5.0])]));
        assert!(!hears_among_others(Layer::Bass, &[take([-0.8, -9.0, -11.0, -16.0])]));
        assert!(!hears_among_others(Layer::Drums, &[take([-0.3, -16.0, -12.0, -16.0])]));
    }
}
