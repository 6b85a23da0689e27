//! Rules about the recording itself: what the recorder should do otherwise next time.

use super::confidence::probability_above;
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use crate::stats::Measured;

/// All findings about the recording.
pub fn recording_findings(inputs: &FindingInputs) -> Vec<Finding> {
    let clipped = clipped(inputs);
    let peak = if clipped.is_some() { None } else { true_peak(inputs) };
    [clipped, peak, gain_riding(inputs), low_cut(inputs), hum(inputs), dead_channel(inputs)]
        .into_iter()
        .flatten()
        .collect()
}

fn about_recording(
    inputs: &FindingInputs,
    id: &'static str,
    severity: Severity,
    statement: String,
    ask: &str,
) -> Finding {
    Finding {
        id,
        player: Player::Recording,
        severity,
        statement,
        ask: ask.to_owned(),
        evidence: Vec::new(),
        confidence: inputs.thresholds.of(t::YES_NO_CONFIDENCE),
    }
}

fn whole_tape(inputs: &FindingInputs, measure: &str, value: Measured, threshold: f64) -> Evidence {
    Evidence { start_s: 0.0, end_s: inputs.duration_s, measure: measure.to_owned(), value, threshold }
}

fn clipped(inputs: &FindingInputs) -> Option<Finding> {
    let measured = &inputs.health.clipped_percent;
    let share = measured.value.filter(|v| *v > inputs.thresholds.of(t::CLIPPED_PERCENT))?;
    let heavy = share > inputs.thresholds.of(t::CLIPPED_HEAVILY_PERCENT);
    let severity = if heavy { Severity::First } else { Severity::Main };
    let decimals = if share < 0.01 { 3 } else { 2 };
    let statement =
        format!("The recording is clipped: {share:.decimals$} % of it sits at the top of the recorder's range.");
    let mut finding =
        about_recording(inputs, "recording_clipped", severity, statement, "Turn the recorder's input down.");
    finding.confidence = probability_above(measured, inputs.thresholds.of(t::CLIPPED_PERCENT))?.min(0.99);
    finding.evidence.push(whole_tape(
        inputs,
        "health.clipped_percent",
        measured.clone(),
        inputs.thresholds.of(t::CLIPPED_PERCENT),
    ));
    Some(finding)
}

fn true_peak(inputs: &FindingInputs) -> Option<Finding> {
    let over = |m: &Measured| m.value.is_some_and(|v| v > inputs.thresholds.of(t::TRUE_PEAK_DBTP));
    let evidence: Vec<Evidence> = inputs
        .takes
        .iter()
        .enumerate()
        .filter(|(_, take)| over(&take.true_peak_dbtp))
        .map(|(at, take)| Evidence {
            start_s: take.start_s,
            end_s: take.end_s,
            measure: format!("takes[{at}].loudness.true_peak_dbtp"),
            value: take.true_peak_dbtp.clone(),
            threshold: inputs.thresholds.of(t::TRUE_PEAK_DBTP),
        })
        .collect();
    let highest = evidence.iter().filter_map(|e| e.value.value).reduce(f64::max)?;
    let statement = format!("The highest peak reaches {highest:+.1} dBTP; above -1 there is next to no room left.");
    let ask = "Turn the recorder's input down a little.";
    let mut finding = about_recording(inputs, "recording_true_peak", Severity::Minor, statement, ask);
    let sure = evidence.iter().filter_map(|e| probability_above(&e.value, e.threshold)).reduce(f64::max);
    finding.confidence = sure?.min(0.99);
    finding.evidence = evidence;
    Some(finding)
}

fn gain_riding(inputs: &FindingInputs) -> Option<Finding> {
    let measured = &inputs.health.gain_riding;
    if measured.value != Some(true) {
        return None;
    }
    let statement = "The recorder turned its own level up and down, so loud and soft cannot be compared.".to_owned();
    let ask = "Switch the recorder's automatic level off.";
    let mut finding = about_recording(inputs, "recording_gain_riding", Severity::First, statement, ask);
    let value = Measured { warnings: measured.warnings.clone(), ..Measured::plain(1.0, measured.n.unwrap_or(1)) };
    finding.evidence.push(whole_tape(inputs, "health.gain_riding", value, 0.5));
    Some(finding)
}

fn low_cut(inputs: &FindingInputs) -> Option<Finding> {
    let measured = &inputs.health.low_cut_hz;
    let hz = measured
        .value
        .filter(|_| measured.low.or(measured.value).is_some_and(|low| low > inputs.thresholds.of(t::LOW_CUT_HZ)))?;
    let statement = format!("The recorder hears little below {hz:.0} Hz, so the bass is not told in full.");
    let ask = "Switch the recorder's low cut off, or use one that reaches down to 40 Hz.";
    let mut finding = about_recording(inputs, "recording_low_cut", Severity::Minor, statement, ask);
    finding.confidence = probability_above(measured, inputs.thresholds.of(t::LOW_CUT_HZ))?.min(0.99);
    finding.evidence.push(whole_tape(
        inputs,
        "health.low_cut_hz",
        measured.clone(),
        inputs.thresholds.of(t::LOW_CUT_HZ),
    ));
    Some(finding)
}

fn hum(inputs: &FindingInputs) -> Option<Finding> {
    let measured = &inputs.health.hum_hz;
    let hz = measured.value?;
    let statement = format!("There is mains hum at {hz:.0} Hz and above it.");
    let ask = "Plug the amplifiers into one outlet strip and keep signal leads away from power leads.";
    let mut finding = about_recording(inputs, "recording_hum", Severity::Minor, statement, ask);
    finding.evidence.push(whole_tape(inputs, "health.hum_hz", measured.clone(), 0.0));
    Some(finding)
}

fn dead_channel(inputs: &FindingInputs) -> Option<Finding> {
    let dead = &inputs.health.dead_channels;
    let first = *dead.first()?;
    let list: Vec<String> = dead.iter().map(u16::to_string).collect();
    let statement = format!("Channel {} of the recording carries no sound.", list.join(" and "));
    let ask = "Check the lead and the microphone of that channel before the next rehearsal.";
    let mut finding = about_recording(inputs, "recording_dead_channel", Severity::Main, statement, ask);
    let value = Measured::plain(f64::from(first), dead.len() as u64);
    finding.evidence.push(whole_tape(inputs, "health.dead_channels", value, 1.0));
    Some(finding)
}
