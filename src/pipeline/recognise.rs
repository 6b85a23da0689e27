//! Recorders that stood close to a player though no sheet says so.
//!
//! Conventions: only a recording that lies on another one of its date, and whose role the sheet leaves open (neither `close_to` nor
//! `channels`), is looked at. Bass and drums are recognised; guitar and keys are one layer, so that a recording of either is told
//! and not used.

use super::company::{Alignments, close_to};
use super::compose_layers::layer_powers;
use super::tape_job::Heard;
use crate::measure::layers::{Layer, LayerLevels, heard_alone, hears_among_others};
use crate::passages::PassageKind;
use crate::sheet::Player;

/// Shorter takes say too little, s.
const SHORTEST_TAKE_S: f64 = 20.0;
/// Word of a recording of guitar or keys, which are not told apart.
const COMPING: &str = "comping";

/// Whom each tape was close to, as is heard; `None` where the sheet says it, and where nothing is certain.
pub fn recognised(heard: &[Heard], alignments: &Alignments) -> Vec<Option<Layer>> {
    if heard.len() < 2 {
        return vec![None; heard.len()];
    }
    let levels: Vec<Vec<LayerLevels>> = heard.iter().map(levels).collect();
    let open = |tape: &Heard| {
        let said = tape.job.sheet.and_then(|s| s.recording.as_ref());
        said.is_none_or(|r| r.close_to.is_none() && r.channels.is_empty())
    };
    let of_tape = |own: usize| {
        let layer = heard_alone(&levels[own]).filter(|layer| *layer != Layer::Horns && open(&heard[own]))?;
        let room = |other: usize| {
            let laid = alignments[own].get(other).and_then(Option::as_ref).is_some_and(Result::is_ok);
            laid && close_to(&heard[other].job).is_none() && hears_among_others(layer, &levels[other])
        };
        (0..heard.len()).any(room).then_some(layer)
    };
    (0..heard.len()).map(of_tape).collect()
}

/// Levels of the takes of a tape.
fn levels(tape: &Heard) -> Vec<LayerLevels> {
    let layers = layer_powers(&tape.readings.layers, &tape.readings.loudness);
    let takes = tape.readings.passages.iter().filter(|p| p.kind == PassageKind::Take);
    takes.filter(|t| t.end_s - t.start_s >= SHORTEST_TAKE_S).map(|t| layers.levels(t.start_s, t.end_s)).collect()
}

/// The player whom a layer is enough to name.
pub fn player(layer: Layer) -> Option<Player> {
    match layer {
        Layer::Bass => Some(Player::Bass),
        Layer::Drums => Some(Player::Drums),
        Layer::Comping | Layer::Horns => None,
    }
}

/// The word of the report.
pub fn word(layer: Layer) -> &'static str {
    player(layer).map_or(COMPING, Player::word)
}

/// What is taken for granted of a tape and of those that lie on it, in words.
pub fn assumptions(own: usize, heard: &[Heard], alignments: &Alignments) -> Vec<String> {
    let lies = |at: usize| at == own || alignments[own].get(at).and_then(Option::as_ref).is_some_and(Result::is_ok);
    let told = |at: usize| Some(assumption(&heard[at].info.file_name, heard[at].alone?));
    (0..heard.len()).filter(|at| lies(*at)).filter_map(told).collect()
}

fn assumption(file_name: &str, layer: Layer) -> String {
    match player(layer) {
        Some(player) => format!(
            "{file_name} stood close to the {0}: it hears the {0} alone; say close_to = \"{0}\" or channels = [\"room\"] in the band sheet \
             to settle it",
            player.word()
        ),
        None => format!(
            "{file_name} hears guitar or keys alone; which of them is not told, so it is not used as a close recording; say close_to in \
             the band sheet"
        ),
    }
}
