//! Readings become the report: the rooms' results are asked for what the contract wants, nothing is computed here.

use super::close_company::Company;
use super::company::CloseBass;
use super::compose_close::{TapeClose, close_facts};
use super::compose_layers::{TapeLayers, layer_powers, measure_layers};
use super::compose_low_end::{Amps, LowEnd, clearest_span, low_end_of_parts, measure_low_end, mic_words};
use super::compose_sheet::{self, SheetTakes, measure_time, tuning_hints};
use super::compose_time::{feel_facts, part_times, tempo_curve, tempo_facts, time_detail};
use super::compose_tuning::{harmony_facts, strings, take_tuning, tuning_facts};
use super::sheets;
use super::stream::Readings;
use super::{ReviewOptions, ease, methods, sheet_wishes};
use crate::findings::{Finding, FindingInputs, LowEndInputs, PartInput, TakeInput, Thresholds, thresholds};
use crate::health::{Health, Trust};
use crate::measure::balance::{Balance, HearingLimits, Target};
use crate::measure::loudness::LoudnessReading;
use crate::measure::tone::{ControlChange, NoteSpectrum};
use crate::measure::tuning::{Harmony, TapeTuning, TuningHints, measure_tuning_with};
use crate::passages::{Passage, PassageKind};
use crate::report::{
    BalanceFacts, Curves, HealthFacts, LoudnessFacts, MarkFacts, Method, PartTime, PassageFacts, REPORT_SCHEMA_NAME,
    REPORT_SCHEMA_REVISION, REPORT_SCHEMA_VERSION, Report, Schema, Span, TakeFacts, TakeTuning, TapeFacts, TargetFacts,
    ThirdOctave, TimeDetail, TimeUse, TrustedFor, Verdict,
};
use crate::sheet::TapeSheet;
use crate::stats::Measured;
use crate::tape::{DateSource, TapeInfo, TapeSource, TapeSummary};

/// Reason of a value whose family this program does not measure.
const NOT_MEASURED: &str = "not_measured";
/// Curves have one entry a second.
const CURVE_HOP_S: f64 = 1.0;

/// One tape, measured: the results of every room, before they are put into the report's words.
pub struct MeasuredTape {
    facts: TapeFacts,
    health: Health,
    passages: Vec<Passage>,
    takes: Vec<TakeInput>,
    loudness: LoudnessReading,
    balance: Balance,
    tuning: TapeTuning,
    harmony: Vec<Harmony>,
    of_sheet: SheetTakes,
    exposure: Option<crate::report::Exposure>,
    layers: TapeLayers,
    parts: Vec<Vec<PartInput>>,
    part_times: Vec<Vec<PartTime>>,
    thresholds: Thresholds,
    low_end_curve_db: Vec<Option<f64>>,
    low_end_spread_db: Option<f64>,
    low_end: LowEnd,
    target: Target,
    methods: Vec<Method>,
    sheet: Option<TapeSheet>,
    mic_words: String,
    close: Option<CloseBass>,
    beside: Option<TapeClose>,
}

/// Asks every reading for its results.
pub fn measured(
    info: &TapeInfo,
    source: &TapeSource,
    options: &ReviewOptions,
    (sheet, close): (Option<&TapeSheet>, Result<Option<Company>, String>),
    (readings, summary): (Readings, TapeSummary),
) -> MeasuredTape {
    let Readings { health, passages, loudness, balance, layers, tone, tuning, time, exposure, scratch: _ } = readings;
    let balance = match &options.mic_curve {
        Some(curve) => balance.corrected(curve),
        None => balance,
    };
    let spans = Passage::spans(&passages, PassageKind::Take);
    let methods = methods::methods(options.target.as_ref(), options.mic_curve.as_ref());
    let methods = if company_is_there(&close) { methods::with_close(methods) } else { methods };
    let target = options.target.clone().unwrap_or_else(Target::published_average);
    let limits = HearingLimits { low_cut_hz: health.low_cut_hz.value, high_cut_hz: health.high_cut_hz.value };
    let takes = spans
        .iter()
        .map(|&(start_s, end_s)| TakeInput {
            start_s,
            end_s,
            integrated_lufs: loudness.integrated_lufs(start_s, end_s),
            true_peak_dbtp: loudness.true_peak_dbtp(start_s, end_s),
        })
        .collect();
    let (company, unheard) = close.map_or_else(|problem| (None, Some(problem)), |company| (company, None));
    let close = company.as_ref().and_then(|c| c.bass.clone());
    let close_bass = close.as_ref().map(|c| c.offsets.clone()).unwrap_or_default();
    let powers = layer_powers(&layers, &loudness);
    let players = spans.iter().map(|&(start_s, end_s)| powers.heard(start_s, end_s)).collect();
    let hints = TuningHints { close_bass, players, whose: Some(layers.register().clone()), ..tuning_hints(sheet) };
    let peaks = &tuning;
    // The two families that cost most after the last block, beside each other.
    let (mut of_sheet, tuned) =
        rayon::join(|| measure_time(&time, &spans, sheet), || measure_tuning_with(peaks, &passages, &hints));
    ease::give_back();
    of_sheet.problems.extend(unheard);
    let harmony: Vec<Harmony> = of_sheet.time.iter().map(|t| peaks.harmony(&t.tempo.beat_times_s)).collect();
    let exposure = compose_sheet::exposure(&exposure, &health, sheet, &mut of_sheet.problems);
    let heard = (info.marks.as_slice(), harmony.as_slice());
    let mut layers = measure_layers((&layers, powers), &health, &spans, (sheet, &mut of_sheet), heard);
    // What the close recordings say of the takes' time stands over what the room says.
    let beside = company.map(|company| TapeClose::new(company, &mut of_sheet.time));
    if let Some(beside) = &beside {
        layers.hear_close(&beside.company.beside, &loudness);
    }
    ease::give_back();
    let over_takes = balance.over(&spans, &target, limits);
    let part_spans = layers.part_spans();
    let part_times =
        of_sheet.time.iter().zip(&part_spans).map(|(t, parts)| part_times(&time.view(), t, parts)).collect();
    MeasuredTape {
        low_end: measure_low_end(
            &tone,
            &balance,
            (&over_takes, &target, limits),
            &health,
            &spans,
            &part_spans,
            &Amps::of(options, sheet),
        ),
        parts: (0..spans.len()).map(|at| layers.part_inputs(at)).collect(),
        part_times,
        layers,
        thresholds: sheet_wishes::thresholds(sheet, &mut of_sheet.problems),
        facts: tape_facts(info, source, &summary),
        low_end_curve_db: balance.low_end_excess_curve_db(&target, limits),
        balance: over_takes,
        tuning: tuned,
        harmony,
        of_sheet,
        exposure,
        low_end_spread_db: target.low_end_spread_db(),
        health,
        passages,
        takes,
        loudness,
        target,
        methods,
        sheet: sheet.cloned(),
        mic_words: mic_words(options),
        close,
        beside,
    }
}

fn company_is_there(close: &Result<Option<Company>, String>) -> bool {
    matches!(close, Ok(Some(_)))
}

/// The balance over the takes of a recording, and how many seconds they last.
pub fn balance_of_playing(readings: &Readings) -> (Balance, f64) {
    let spans = Passage::spans(&readings.passages, PassageKind::Take);
    let health = &readings.health;
    let limits = HearingLimits { low_cut_hz: health.low_cut_hz.value, high_cut_hz: health.high_cut_hz.value };
    let balance = readings.balance.over(&spans, &Target::published_average(), limits);
    (balance, spans.iter().map(|(start, end)| end - start).sum())
}

/// The notes of the bass over the takes of a recording, and its share of the low end, 0..=1.
pub fn bass_of_playing(readings: &Readings) -> (NoteSpectrum, Option<f64>) {
    let takes = readings.passages.iter().filter(|p| p.kind == PassageKind::Take);
    let takes: Vec<_> = takes.map(|p| (p.start_s, p.end_s)).collect();
    (readings.tone.note_spectrum(&takes), readings.tone.low_end_shares(&takes).bass.value)
}

impl MeasuredTape {
    /// What of the band sheet could not be used on this tape.
    pub fn notes(&self) -> &[String] {
        &self.of_sheet.problems
    }

    /// What the rules of the findings look at.
    pub fn finding_inputs(&self) -> FindingInputs<'_> {
        FindingInputs {
            duration_s: self.facts.duration_s,
            health: &self.health,
            passages: &self.passages,
            takes: &self.takes,
            low_end_excess_db: &self.balance.low_end_excess_db,
            low_end_spread_db: self.low_end_spread_db,
            low_end_share_bass: &self.low_end.shares.bass,
            tuning: &self.tuning,
            time: &self.of_sheet.time,
            parts: &self.parts,
            thresholds: &self.thresholds,
        }
    }

    /// The stretch of about `length_s` inside a take in which the low end stands out most.
    pub fn clearest_span(&self, length_s: f64) -> Option<(f64, f64)> {
        let takes: Vec<(f64, f64)> = self.takes.iter().map(|t| (t.start_s, t.end_s)).collect();
        clearest_span(&self.low_end_curve_db, &takes, length_s)
    }

    /// The advised changes of the bass amplifier.
    pub fn low_end_changes(&self) -> Vec<ControlChange> {
        self.low_end.changes()
    }

    /// What the rules of the low end look at.
    pub fn low_end_inputs(&self) -> LowEndInputs<'_> {
        self.low_end.inputs(&self.takes)
    }
}

/// The report and its curves.
pub fn report(tape: &MeasuredTape, findings: &[Finding]) -> (Report, Curves) {
    let report = Report {
        schema: Schema {
            name: REPORT_SCHEMA_NAME.to_owned(),
            version: REPORT_SCHEMA_VERSION,
            revision: REPORT_SCHEMA_REVISION,
        },
        program: methods::program(),
        assumed: sheets::assumptions(tape.sheet.as_ref(), &tape.mic_words),
        sheet: tape.sheet.as_ref().map(|s| sheets::sheet_facts_with(s, &tape.of_sheet.problems)),
        methods: tape.methods.clone(),
        tape: tape.facts.clone(),
        recorded_with: None,
        health: health_facts(&tape.health),
        passages: tape.passages.iter().enumerate().map(|(at, p)| passage_facts(p, strings(&tape.tuning, at))).collect(),
        time_use: TimeUse::of(&tape.passages),
        takes: (0..tape.takes.len()).map(|at| take_facts(tape, at)).collect(),
        tuning: tuning_facts(&tape.tuning),
        balance: balance_facts(&tape.balance, &tape.target, &tape.low_end),
        tone: Some(tape.low_end.tone_facts()),
        amp_advice: tape.low_end.advice_facts(),
        exposure: tape.exposure.clone(),
        findings: findings.iter().map(Into::into).collect(),
    };
    (report, curves(tape))
}

fn tape_facts(info: &TapeInfo, source: &TapeSource, summary: &TapeSummary) -> TapeFacts {
    let name = |p: &std::path::PathBuf| p.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut warnings = info.warnings.clone();
    warnings.extend(summary.warnings.iter().cloned());
    TapeFacts {
        file_name: info.file_name.clone(),
        pieces: if source.pieces.len() > 1 { source.pieces.iter().map(name).collect() } else { Vec::new() },
        content_hash: info.content_hash.clone(),
        duration_s: summary.duration_s,
        sample_rate_hz: info.sample_rate_hz,
        channels: info.channels,
        codec: info.codec.clone(),
        recorded_at: info.recorded_at.clone(),
        recorded_at_source: info.recorded_at_source.map(|s| date_source_word(s).to_owned()),
        gaps: summary.gaps.iter().map(|g| Span { start_s: g.start_s, end_s: g.end_s }).collect(),
        marks: info.marks.iter().map(|m| MarkFacts { at_s: m.at_s, label: m.label.clone() }).collect(),
        warnings,
    }
}

fn date_source_word(source: DateSource) -> &'static str {
    match source {
        DateSource::Bext => "bext",
        DateSource::Tags => "tags",
        DateSource::Name => "name",
        DateSource::FileTime => "file_time",
    }
}

fn health_facts(health: &Health) -> HealthFacts {
    let verdict = |trust: &Trust| Verdict { ok: trust.ok, reason: trust.reason.clone() };
    HealthFacts {
        gain_riding: health.gain_riding.clone(),
        clipped_percent: health.clipped_percent.clone(),
        low_cut_hz: health.low_cut_hz.clone(),
        high_cut_hz: health.high_cut_hz.clone(),
        hum_hz: health.hum_hz.clone(),
        noise_floor_dbfs: health.noise_floor_dbfs.clone(),
        dc_offset: health.dc_offset.clone(),
        dead_channels: health.dead_channels.clone(),
        trusted_for: TrustedFor {
            balance: verdict(&health.balance),
            low_end: verdict(&health.low_end),
            loudness_over_time: verdict(&health.loudness_over_time),
            tuning: verdict(&health.tuning),
            time: verdict(&health.time),
        },
    }
}

fn passage_facts(passage: &Passage, strings: Vec<crate::report::OpenString>) -> PassageFacts {
    PassageFacts {
        kind: passage.kind,
        start_s: passage.start_s,
        end_s: passage.end_s,
        confidence: passage.confidence,
        strings,
    }
}

fn take_facts(tape: &MeasuredTape, at: usize) -> TakeFacts {
    let (take, loudness, time) = (&tape.takes[at], &tape.loudness, &tape.of_sheet.time[at]);
    let named = tape.of_sheet.named[at].as_ref();
    let marked = compose_sheet::marked(tape.sheet.as_ref(), named);
    let mut parts = low_end_of_parts(tape.layers.part_facts(at, loudness), &tape.low_end.parts[at]);
    for (part, time) in parts.iter_mut().zip(&tape.part_times[at]) {
        part.time = Some(time.clone());
    }
    TakeFacts {
        start_s: take.start_s,
        end_s: take.end_s,
        title: named.map(|n| n.title.clone()).unwrap_or_default(),
        low_end_excess_db: tape.low_end.takes.get(at).cloned(),
        loudness: LoudnessFacts {
            integrated_lufs: take.integrated_lufs.clone(),
            range_lu: loudness.range_lu(take.start_s, take.end_s),
            true_peak_dbtp: take.true_peak_dbtp.clone(),
        },
        tempo: tempo_facts(&time.tempo),
        feel: feel_facts(&time.feel),
        time_detail: TimeDetail {
            crowded_bars: tape.layers.crowded_bars(at, time, tape.thresholds.of(thresholds::COMPING_CROWDED_PER_BAR)),
            ..time_detail(time, &parts, marked.as_ref().and_then(|m| m.tempo_bpm))
        },
        marked,
        parts,
        form_bars: tape.layers.form_bars(at),
        harmony: tape.harmony.get(at).map(harmony_facts),
        close: tape
            .beside
            .as_ref()
            .map(|b| close_facts(b, at, tape.thresholds.of(thresholds::COMPING_CROWDED_PER_BAR))),
        tuning: TakeTuning {
            bass_close_recording: tape.close.as_ref().and_then(|c| c.file_of(at)),
            ..take_tuning(&tape.tuning, at)
        },
    }
}

/// What this program does not measure.
pub fn absent() -> Measured {
    Measured::absent(NOT_MEASURED)
}

fn balance_facts(balance: &Balance, target: &Target, low_end: &LowEnd) -> BalanceFacts {
    let band = |b: &crate::measure::balance::BandLevel| ThirdOctave {
        mid_hz: b.mid_hz,
        level_db: b.level_db,
        target_low_db: b.target_low_db,
        target_db: b.target_db,
        target_high_db: b.target_high_db,
    };
    BalanceFacts {
        third_octave: balance.third_octave.iter().map(band).collect(),
        tilt_db_per_octave: balance.tilt_db_per_octave.clone(),
        low_end_excess_db: balance.low_end_excess_db.clone(),
        low_end_share: low_end.share_facts(),
        standing_out: low_end.standing_out(),
        target: TargetFacts { name: target.name.clone(), source: target.source.clone() },
    }
}

fn curves(tape: &MeasuredTape) -> Curves {
    let loudness = tape.loudness.curves();
    let hops = (tape.facts.duration_s / CURVE_HOP_S).ceil() as usize;
    let fitted = |mut curve: Vec<Option<f64>>| {
        curve.resize(hops, None);
        curve
    };
    Curves {
        hop_s: CURVE_HOP_S,
        short_term_lufs: fitted(loudness.short_term_lufs),
        momentary_max_lufs: fitted(loudness.momentary_max_lufs),
        low_end_excess_db: fitted(tape.low_end_curve_db.clone()),
        layers_lufs: tape.layers.curves(hops),
        tempo_bpm: tempo_curve(&tape.of_sheet.time, CURVE_HOP_S, hops),
        bass_cents: fitted(tape.tuning.bass_cents.clone()),
        guitar_cents: fitted(tape.tuning.guitar_cents.clone()),
        band_cents: fitted(tape.tuning.band_cents.clone()),
    }
}
