//! Rules about time: rushing and dragging, bars that slipped, the hi-hat, a heavy backbeat, swing, bass against drums.
//!
//! Limits: what the measures mark as uncertain (where the bars begin, half or double the tempo) is not spoken of.

use super::confidence::{probability_above, probability_below};
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::words;
use crate::measure::time::{FeelFacts, TakeTime};
use crate::stats::{Measured, median};
use crate::units::seconds_to_clock;

/// Most bars that a statement names.
const BARS_NAMED: usize = 4;
/// Swing ratio below which eighths are straight (a quarter of the way from even to 2 to 1 is hardly heard; own choice).
const STRAIGHT_RATIO: f64 = 1.15;

/// All findings about time.
pub fn time_findings(inputs: &FindingInputs) -> Vec<Finding> {
    if !inputs.health.time.ok {
        return Vec::new();
    }
    let mut found: Vec<Finding> = [rushing(inputs), dragging(inputs), slips(inputs)].into_iter().flatten().collect();
    found.extend([hat(inputs), backbeat(inputs), bass_to_drums(inputs), comping(inputs)].into_iter().flatten());
    found.extend([held(inputs), hat_praised(inputs), swing(inputs)].into_iter().flatten());
    found
}

/// Takes whose reading passes `test`: number from 0, and the reading.
fn takes_with<'a>(
    inputs: &FindingInputs<'a>,
    read: impl Fn(&'a TakeTime) -> &'a Measured,
    test: impl Fn(&Measured) -> bool,
) -> Vec<(usize, &'a Measured)> {
    let takes = inputs.time.iter().enumerate().take(inputs.takes.len());
    takes.map(|(at, time)| (at, read(time))).filter(|(_, m)| m.value.is_some() && test(m)).collect()
}

fn certain(m: &Measured) -> bool {
    !m.warnings.iter().any(|w| w == "downbeat_uncertain" || w == "half_or_double_possible")
}

/// What a rule says once its takes are known.
struct Said {
    id: &'static str,
    player: Player,
    severity: Severity,
    statement: String,
    ask: &'static str,
    measure: &'static str,
    threshold: f64,
    /// The readings lie above the threshold (else below it).
    above: bool,
}

fn finding(inputs: &FindingInputs, takes: &[(usize, &Measured)], said: Said) -> Option<Finding> {
    let sure = |m: &Measured| {
        if said.above { probability_above(m, said.threshold) } else { probability_below(m, said.threshold) }
    };
    let confidence = takes.iter().filter_map(|(_, m)| sure(m)).reduce(f64::max)?;
    let evidence = takes.iter().filter_map(|(at, m)| {
        let take = inputs.takes.get(*at)?;
        let measure = format!("takes[{at}].{}", said.measure);
        let value = (*m).clone();
        Some(Evidence { start_s: take.start_s, end_s: take.end_s, measure, value, threshold: said.threshold })
    });
    Some(Finding {
        id: said.id,
        player: said.player,
        severity: said.severity,
        statement: said.statement,
        ask: said.ask.to_owned(),
        evidence: evidence.collect(),
        confidence: confidence.clamp(0.0, 0.99),
    })
}

fn numbers(takes: &[(usize, &Measured)]) -> Vec<usize> {
    takes.iter().map(|(at, _)| *at).collect()
}

fn middle(takes: &[(usize, &Measured)]) -> Option<f64> {
    median(&takes.iter().filter_map(|(_, m)| m.value).collect::<Vec<_>>())
}

fn drift(time: &TakeTime) -> &Measured {
    &time.tempo.drift_percent
}

fn rushing(inputs: &FindingInputs) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::TEMPO_CHANGE_PERCENT), inputs.thresholds.of(t::TEMPO_HELD_PERCENT));
    let takes = takes_with(inputs, drift, |m| m.value.is_some_and(|v| v >= least) && m.low.is_some_and(|l| l >= sure));
    tempo_change(inputs, &takes, true, least)
}

fn dragging(inputs: &FindingInputs) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::TEMPO_CHANGE_PERCENT), inputs.thresholds.of(t::TEMPO_HELD_PERCENT));
    let takes =
        takes_with(inputs, drift, |m| m.value.is_some_and(|v| v <= -least) && m.high.is_some_and(|h| h <= -sure));
    tempo_change(inputs, &takes, false, least)
}

fn tempo_change(inputs: &FindingInputs, takes: &[(usize, &Measured)], faster: bool, least: f64) -> Option<Finding> {
    let change = middle(takes)?;
    let way = if faster { "speeds up" } else { "slows down" };
    let from_to = match takes {
        [(at, _)] => inputs.time.get(*at).and_then(|t| ends(t, change)),
        _ => None,
    };
    let from_to = from_to.map_or_else(String::new, |(a, b)| format!(", from {a:.0} to {b:.0} beats a minute"));
    let statement = format!(
        "The band {way} by {:.0} % in {}{from_to}.",
        change.abs(),
        words::takes(&numbers(takes), inputs.takes.len())
    );
    let main = change.abs() >= inputs.thresholds.of(t::TEMPO_CHANGE_MAIN_PERCENT);
    let said = Said {
        id: if faster { "band_rushes" } else { "band_drags" },
        player: Player::Band,
        severity: if main { Severity::Main } else { Severity::Minor },
        statement,
        ask: if faster {
            "Sing the first phrase again after the last one, tap 2 and 4, and compare the two tempi."
        } else {
            "Play the last chorus with the drums on the ride alone and everybody tapping 2 and 4."
        },
        measure: "tempo.drift_percent",
        threshold: if faster { least } else { -least },
        above: faster,
    };
    finding(inputs, takes, said)
}

/// Tempo at the first and the last beat of a straight line through a take.
fn ends(time: &TakeTime, change_percent: f64) -> Option<(f64, f64)> {
    let bpm = time.tempo.bpm.value?;
    let start = bpm / (1.0 + change_percent / 200.0);
    Some((start, start * (1.0 + change_percent / 100.0)))
}

/// Bars that slipped, all takes together; the take with most of them is named.
fn slips(inputs: &FindingInputs) -> Option<Finding> {
    let per_take = inputs.time.iter().enumerate().take(inputs.takes.len());
    let (at, time) = per_take.max_by_key(|(at, time)| (time.slipped_bars.len(), std::cmp::Reverse(*at)))?;
    let bars = &time.slipped_bars;
    let first = bars.first()?;
    let named: Vec<String> = bars.iter().take(BARS_NAMED).map(|b| b.bar.to_string()).collect();
    let more = if bars.len() > BARS_NAMED { format!(" and {} more", bars.len() - BARS_NAMED) } else { String::new() };
    let way = if first.change_percent.value? > 0.0 { "fast" } else { "slow" };
    let one = bars.len() == 1;
    let size = first.change_percent.value?.abs();
    let place = part_begins_at(inputs, at, first.start_s, first.end_s)
        .map_or_else(String::new, |label| format!(", where part {label} begins"));
    let statement = if one {
        format!(
            "Bar {} of take {} at {} goes by {size:.0} % too {way}{place}.",
            named[0],
            at + 1,
            seconds_to_clock(first.start_s)
        )
    } else {
        let from = seconds_to_clock(first.start_s);
        format!("Time slips in bars {}{more} of take {}, first at {from}{place}.", words::list(&named), at + 1)
    };
    let many = bars.len() as f64 >= inputs.thresholds.of(t::SLIPPED_BARS);
    let least = crate::measure::time::slips::LEAST_PERCENT;
    let sure = |m: &Measured| {
        let size = m.value?.abs();
        let half = m.low.zip(m.high).map_or(0.0, |(l, h)| (h - l) / 2.0);
        probability_above(&Measured::symmetric(size, half, 1), least)
    };
    Some(Finding {
        id: "bars_slipped",
        player: Player::Band,
        severity: if many { Severity::Main } else { Severity::Minor },
        statement,
        ask: "Count these bars aloud, then play from four bars before to four bars after.".into(),
        confidence: bars.iter().filter_map(|b| sure(&b.change_percent)).reduce(f64::max)?.min(0.99),
        evidence: bars
            .iter()
            .enumerate()
            .map(|(k, b)| Evidence {
                start_s: b.start_s,
                end_s: b.end_s,
                measure: format!("takes[{at}].time_detail.slipped_bars[{k}].change_percent"),
                value: b.change_percent.clone(),
                threshold: least.copysign(b.change_percent.value.unwrap_or(1.0)),
            })
            .collect(),
    })
}

/// Label of the part that begins inside the span or right after it; the first part of a take begins no change.
fn part_begins_at(inputs: &FindingInputs, take: usize, start_s: f64, end_s: f64) -> Option<String> {
    let parts = inputs.parts.get(take)?;
    let bar = end_s - start_s;
    let near = |at: f64| at >= start_s - 0.25 * bar && at <= end_s + 0.25 * bar;
    parts.iter().skip(1).find(|p| near(p.start_s)).map(|p| p.label.clone())
}

fn hat_of(time: &TakeTime) -> &Measured {
    &time.feel.hat_on_2_and_4_percent
}

fn hat(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::HAT_LOW_PERCENT);
    let takes = takes_with(inputs, hat_of, |m| certain(m) && m.high.is_some_and(|h| h < least));
    let share = middle(&takes)?;
    let said = Said {
        id: "hat_not_on_2_and_4",
        player: Player::Drums,
        severity: Severity::Main,
        statement: format!(
            "The hi-hat closes on 2 and 4 in {share:.0} % of the bars of {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let the left foot close the hi-hat on 2 and 4 from the count-off on.",
        measure: "feel.hat_on_2_and_4_percent",
        threshold: least,
        above: false,
    };
    finding(inputs, &takes, said)
}

fn hat_praised(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::HAT_HIGH_PERCENT);
    let known = takes_with(inputs, hat_of, certain);
    let takes = takes_with(inputs, hat_of, |m| certain(m) && m.value.is_some_and(|v| v > least));
    if takes.len() < known.len() {
        return None;
    }
    let share = middle(&takes)?;
    let said = Said {
        id: "hat_on_2_and_4",
        player: Player::Drums,
        severity: Severity::Note,
        statement: format!(
            "The hi-hat closed on 2 and 4 in {share:.0} % of the bars of {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "",
        measure: "feel.hat_on_2_and_4_percent",
        threshold: least,
        above: true,
    };
    finding(inputs, &takes, said)
}

fn backbeat(inputs: &FindingInputs) -> Option<Finding> {
    let heavy = |f: &FeelFacts| {
        f.backbeat_heavy.value == Some(true) && !f.backbeat_heavy.warnings.iter().any(|w| w == "downbeat_uncertain")
    };
    let takes: Vec<usize> =
        (0..inputs.time.len().min(inputs.takes.len())).filter(|at| heavy(&inputs.time[*at].feel)).collect();
    if takes.is_empty() {
        return None;
    }
    Some(Finding {
        id: "backbeat_heavy",
        player: Player::Drums,
        severity: Severity::Main,
        statement: format!(
            "Kick on 1 and 3 and snare on 2 and 4 stand out against the cymbals in {}.",
            words::takes(&takes, inputs.takes.len())
        ),
        ask: "Try one chorus with the ride cymbal and the hi-hat alone, then add kick and snare softly.".into(),
        confidence: inputs.thresholds.of(t::YES_NO_CONFIDENCE),
        evidence: takes
            .iter()
            .map(|at| Evidence {
                start_s: inputs.takes[*at].start_s,
                end_s: inputs.takes[*at].end_s,
                measure: format!("takes[{at}].feel.backbeat_heavy"),
                value: Measured::plain(1.0, inputs.time[*at].feel.backbeat_heavy.n.unwrap_or(1)),
                threshold: 0.5,
            })
            .collect(),
    })
}

fn bass_to_drums(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::BASS_TO_DRUMS_MS);
    let of = |time| -> &Measured { bass_lag(time) };
    let widest = 2.0 * inputs.thresholds.of(t::BASS_TO_DRUMS_SURE_MS);
    let sure = |m: &Measured| m.low.zip(m.high).is_some_and(|(low, high)| high - low <= widest);
    let late = takes_with(inputs, of, |m| sure(m) && m.low.is_some_and(|l| l > least));
    let early = takes_with(inputs, of, |m| sure(m) && m.high.is_some_and(|h| h < -least));
    let behind = late.len() >= early.len();
    let takes = if behind { late } else { early };
    let lag = middle(&takes)?;
    let said = Said {
        id: if behind { "bass_behind_drums" } else { "bass_ahead_of_drums" },
        player: Player::Bass,
        severity: Severity::Main,
        statement: format!(
            "The bass plays {:.0} ms {} the drums in {}.",
            lag.abs(),
            if behind { "behind" } else { "ahead of" },
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let bass and ride cymbal play one chorus alone, side by side.",
        measure: "feel.bass_to_drums_ms",
        threshold: if behind { least } else { -least },
        above: behind,
    };
    finding(inputs, &takes, said)
}

fn bass_lag(time: &TakeTime) -> &Measured {
    &time.feel.bass_to_drums_ms
}

fn comping(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::COMPING_CROWDED_PER_BAR);
    let takes = takes_with(inputs, |t| &t.feel.comping_onsets_per_bar, |m| m.low.is_some_and(|l| l > least));
    let onsets = middle(&takes)?;
    let said = Said {
        id: "comping_crowded",
        player: Player::Piano,
        severity: Severity::Main,
        statement: format!(
            "Guitar and keys together play {onsets:.0} chords a bar in {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let the piano lead the comping and the guitar rest for one chorus, then change over.",
        measure: "feel.comping_onsets_per_bar",
        threshold: least,
        above: true,
    };
    finding(inputs, &takes, said)
}

/// Praise: every take that could be judged held its tempo.
fn held(inputs: &FindingInputs) -> Option<Finding> {
    let most = inputs.thresholds.of(t::TEMPO_HELD_PERCENT);
    let known = takes_with(inputs, drift, |_| true);
    let inside = |m: &Measured| m.value.is_some_and(|v| v.abs() < most);
    if known.is_empty() || !known.iter().all(|(_, m)| inside(m)) {
        return None;
    }
    let statement = format!("The tempo held in {}.", words::takes(&numbers(&known), inputs.takes.len()));
    let said = Said {
        id: "tempo_held",
        player: Player::Band,
        severity: Severity::Note,
        statement,
        ask: "",
        measure: "tempo.drift_percent",
        threshold: most,
        above: false,
    };
    finding(inputs, &known, said)
}

/// A fact without an ask: how the eighths swing.
fn swing(inputs: &FindingInputs) -> Option<Finding> {
    let known = takes_with(inputs, |t| &t.feel.swing_ratio, |_| true);
    if known.is_empty() {
        return None;
    }
    let each = |(at, m): &(usize, &Measured)| {
        let ratio = m.value.unwrap_or_default();
        let said = if ratio < STRAIGHT_RATIO { "straight".to_owned() } else { format!("{ratio:.1} to 1") };
        format!("{said} in take {}", at + 1)
    };
    let statement = format!("Eighths: {}.", words::list(&known.iter().map(each).collect::<Vec<_>>()));
    let said = Said {
        id: "swing",
        player: Player::Band,
        severity: Severity::Note,
        statement,
        ask: "",
        measure: "feel.swing_ratio",
        threshold: 1.0,
        above: true,
    };
    finding(inputs, &known, said)
}
