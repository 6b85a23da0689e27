//! The one rule about the layers: who covers whom, and of all such places the one that matters most.
//!
//! Conventions: a rhythm layer covers another when it is louder by more than the threshold and surely louder, or when the
//! other is not heard over the rest while this one is the loudest. Horns in front of the rhythm section are as it should
//! be and are never named. What matters most: the most seconds times LU beyond the threshold.

use super::confidence::probability_above;
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, PartInput, Player, Severity};
use super::words;
use crate::stats::Measured;

const NAMES: [&str; 4] = ["bass", "drums", "comping", "horns"];
const PLAYERS: [Player; 4] = [Player::Bass, Player::Drums, Player::Piano, Player::Horns];
/// Louder and softer layer of the pairs that are judged (places in [`NAMES`]).
const PAIRS: [(usize, usize); 5] = [(0, 2), (0, 3), (1, 2), (1, 3), (2, 3)];
/// Shortest stretch worth a word, seconds: a phrase.
const LEAST_S: f64 = 8.0;
/// Horns softer than this may be resting: own mixes in which they rest read -11 LU and less.
const HORNS_PLAY_LU: f64 = -10.0;
/// Place of the horns in [`NAMES`].
const HORNS: usize = 3;
/// Confidence of "not heard over the others": the detector says yes or no only.
const COVERED: &str = "covered";

/// The finding about the layers, if any.
pub fn layer_findings(inputs: &FindingInputs) -> Vec<Finding> {
    if !inputs.health.balance.ok {
        return Vec::new();
    }
    let pairs = PAIRS.iter().filter_map(|&pair| Pair::of(inputs, pair));
    let worst = pairs.max_by(|a, b| a.weight.total_cmp(&b.weight));
    worst.and_then(|pair| pair.finding(inputs)).into_iter().collect()
}

/// All places at which one layer covers another.
struct Pair<'a> {
    loud: usize,
    soft: usize,
    places: Vec<Place<'a>>,
    weight: f64,
}

struct Place<'a> {
    take: usize,
    part: &'a PartInput,
    /// How much louder; absent where the soft layer is not heard at all.
    apart: Option<Measured>,
}

impl<'a> Pair<'a> {
    fn of(inputs: &FindingInputs<'a>, (loud, soft): (usize, usize)) -> Option<Self> {
        let least = inputs.thresholds.of(t::COVERS_LU);
        let mut places = Vec::new();
        let (mut weight, mut seconds) = (0.0, 0.0);
        for (take, parts) in inputs.parts.iter().enumerate().take(inputs.takes.len()) {
            for part in parts {
                let Some(place) = place(take, part, loud, soft, least) else { continue };
                let length = part.end_s - part.start_s;
                let beyond = place.apart.as_ref().and_then(|m| m.value).map_or(1.0, |v| v - least + 1.0);
                weight += length * beyond;
                seconds += length;
                places.push(place);
            }
        }
        (seconds >= LEAST_S).then_some(Self { loud, soft, places, weight })
    }

    fn finding(&self, inputs: &FindingInputs) -> Option<Finding> {
        let least = inputs.thresholds.of(t::COVERS_LU);
        let known: Vec<&Measured> = self.places.iter().filter_map(|p| p.apart.as_ref()).collect();
        let largest = known.iter().filter_map(|m| m.value).reduce(f64::max);
        let by = largest.map_or_else(
            || format!("the {} cannot be heard over them", NAMES[self.soft]),
            |lu| format!("up to {lu:.0} LU louder"),
        );
        let statement = format!(
            "{} {} the {} in {}: {by}.",
            words::capital(&format!("the {}", NAMES[self.loud])),
            if self.loud == 1 { "cover" } else { "covers" },
            NAMES[self.soft],
            self.place_words(inputs)
        );
        let sure = known.iter().filter_map(|m| probability_above(m, least)).reduce(f64::max);
        let evidence = self.places.iter().map(|p| Evidence {
            start_s: p.part.start_s,
            end_s: p.part.end_s,
            measure: format!("{}_over_{}_lu", NAMES[self.loud], NAMES[self.soft]),
            value: p.apart.clone().unwrap_or_else(|| Measured::plain(least, 1).with_warning(COVERED)),
            threshold: least,
        });
        Some(Finding {
            id: self.id(),
            player: PLAYERS[self.loud],
            severity: Severity::Main,
            statement,
            ask: self.ask(),
            evidence: evidence.collect(),
            confidence: sure.unwrap_or(inputs.thresholds.of(t::YES_NO_CONFIDENCE)).min(0.99),
        })
    }

    fn id(&self) -> &'static str {
        match (self.loud, self.soft) {
            (0, 2) => "bass_covers_comping",
            (0, _) => "bass_covers_horns",
            (1, 2) => "drums_cover_comping",
            (1, _) => "drums_cover_horns",
            _ => "comping_covers_horns",
        }
    }

    fn ask(&self) -> String {
        let who = match self.loud {
            0 => "Turn the bass amplifier down until",
            1 => "Let the drums play with light sticks or brushes until",
            _ => "Let guitar and piano take turns and play softer until",
        };
        let soft = if self.soft == 2 { "guitar and piano are" } else { "the horns are" };
        format!("{who} {soft} heard from the far end of the room.")
    }

    /// "take 1", "parts 1 and 3 of take 2", "take 1 and part 2 of take 3".
    fn place_words(&self, inputs: &FindingInputs) -> String {
        let all: usize = inputs.parts.iter().map(Vec::len).sum();
        if inputs.parts.len() > 1 && inputs.parts.iter().all(|p| !p.is_empty()) && self.places.len() == all {
            return "every take".to_owned();
        }
        let mut said: Vec<String> = Vec::new();
        for (take, parts) in inputs.parts.iter().enumerate() {
            let labels: Vec<String> =
                self.places.iter().filter(|p| p.take == take).map(|p| p.part.label.clone()).collect();
            match labels.len() {
                0 => {}
                n if n == parts.len() => said.push(format!("take {}", take + 1)),
                1 => said.push(format!("part {} of take {}", labels[0], take + 1)),
                _ => said.push(format!("parts {} of take {}", words::list(&labels), take + 1)),
            }
        }
        words::list(&said)
    }
}

fn place(take: usize, part: &PartInput, loud: usize, soft: usize, least: f64) -> Option<Place<'_>> {
    let levels = &part.layers_re_band_lu;
    let (a, b) = (&levels[loud], &levels[soft]);
    if a.warnings.iter().chain(&b.warnings).any(|w| w == "clipped") {
        return None;
    }
    let value = a.value?;
    if b.value.is_none() {
        let loudest = levels.iter().filter_map(|m| m.value).all(|v| v <= value);
        let unheard = b.reason.as_deref() == Some(COVERED) && loudest && soft != HORNS;
        return unheard.then_some(Place { take, part, apart: None });
    }
    if soft == HORNS && b.value? < HORNS_PLAY_LU {
        return None;
    }
    let apart = super::sound::difference(a, b)?;
    let beyond = apart.value.is_some_and(|v| v > least) && apart.low.is_some_and(|l| l > 0.0);
    beyond.then_some(Place { take, part, apart: Some(apart) })
}
