//! Strict mirrors of the files we write, typed from the contract and not from the code: an unknown field is an error, and
//! so is a missing one that the contract has. `Option` is used only where a field may be left out or null.
#![allow(dead_code)]

use std::collections::BTreeMap;

use serde::Deserialize;

macro_rules! strict {
    ($($name:ident { $($field:ident: $kind:ty),* $(,)? })*) => {$(
        #[derive(Debug, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct $name { $(pub $field: $kind),* }
    )*};
}

type Text = String;
type Texts = Vec<String>;

strict! {
    M { value: Option<f64>, low: Option<f64>, high: Option<f64>, n: Option<u64>, reason: Option<Text>, warnings: Option<Texts> }
    YesNo { value: Option<bool>, low: Option<bool>, high: Option<bool>, n: Option<u64>, reason: Option<Text>, warnings: Option<Texts> }
    Schema { name: Text, version: u32, revision: u32 }
    Program { name: Text, version: Text }
    Method { family: Text, id: Text }
    Report { schema: Schema, program: Program, assumed: Texts, sheet: Option<SheetFacts>, methods: Vec<Method>, tape: Tape, recorded_with: Option<RecordedWith>, health: Health,
        passages: Vec<Passage>, time_use: TimeUse, takes: Vec<Take>, tuning: Tuning, balance: Balance,
        tone: Option<Tone>, amp_advice: Vec<AmpAdvice>, exposure: Option<Exposure>, findings: Vec<Finding> }
    RecordedWith { key: Text, heard_close_to: Option<Text>, tapes: Vec<OtherTape> }
    OtherTape { file_name: Text, close_to: Option<Text>, heard_close_to: Option<Text>, offset_s: M, clock_ppm: M, common: Option<Span> }
    SheetFacts { file: Text, key: Text, problems: Option<Texts> }
    Tape { file_name: Text, pieces: Option<Texts>, content_hash: Text, duration_s: f64, sample_rate_hz: u32, channels: u16,
        codec: Text, recorded_at: Option<Text>, recorded_at_source: Option<Text>, gaps: Option<Vec<Span>>,
        marks: Option<Vec<Mark>>, warnings: Option<Texts> }
    Span { start_s: f64, end_s: f64 }
    Mark { at_s: f64, label: Text }
    Health { gain_riding: YesNo, clipped_percent: M, low_cut_hz: M, high_cut_hz: M, hum_hz: M, noise_floor_dbfs: M,
        dc_offset: M, dead_channels: Vec<u16>, trusted_for: TrustedFor }
    TrustedFor { balance: Verdict, low_end: Verdict, loudness_over_time: Verdict, tuning: Verdict, time: Verdict }
    Verdict { ok: bool, reason: Text }
    Passage { kind: Kind, start_s: f64, end_s: f64, confidence: f64, strings: Option<Vec<OpenString>> }
    OpenString { instrument: Text, string_midi: u8, offset_from_a440_cents: M }
    TimeUse { take_s: f64, talk_s: f64, tuning_s: f64, quiet_s: f64, other_s: f64 }
    Take { start_s: f64, end_s: f64, title: Text, marked: Option<MarkedChart>, parts: Vec<Part>, loudness: Loudness, tempo: Tempo, feel: Feel, tuning: TakeTuning,
        time_detail: Option<TimeDetail>, low_end_excess_db: Option<M>, form_bars: Option<M>, harmony: Option<Harmony>,
        close: Option<Close> }
    Harmony { concert_pitch_cents: M, chords: Texts, bass: Texts }
    Close { recordings: Vec<CloseRecording>, bass_to_drums_ms: M, drums_heard: Option<Text>, bass_note_length_ms: M,
        bass_note_length_percent: M, guitar_hits_per_bar: M, piano_hits_per_bar: M, comping_together_percent: M,
        guitar_after_piano_ms: M, comping_onsets_per_bar: M, crowded_bars: Vec<CrowdedBar> }
    CrowdedBar { bar: u32, start_s: f64, end_s: f64, hits: u32 }
    CloseRecording { player: Text, file_name: Text, channels: Option<Vec<u16>> }
    TimeDetail { slipped_bars: Vec<SlippedBar>, without_beat: Vec<Span>, bar_picture: BarPicture,
        bass_to_drums_at_most_ms: M, bass_to_drums_spread_ms: M, phrase_steadiness_percent: M, onset_spread_ms: M,
        re_marked_tempo_percent: M, part_changes: Vec<PartChange>, lead_in_percent: M }
    PartChange { label: Text, bar: u32, at_s: f64, change_percent: M, stands_out: bool }
    SlippedBar { bar: u32, start_s: f64, end_s: f64, change_percent: M }
    BarPicture { bars: usize, beats: usize, kick: Vec<f64>, snare: Vec<f64>, cymbals: Vec<f64>, hi_hat_closing: Vec<f64>,
        bass: Vec<f64> }
    Part { label: Text, source: PartSource, start_s: f64, end_s: f64, same_form_as: Option<Text>, loudness_lufs: M, layers_lufs: Layers,
        layers_re_band_lu: Option<Layers>, low_end_excess_db: Option<M>, layers_from_close: Option<Texts>, time: Option<PartTime> }
    PartTime { bpm: M, drift_percent: M, steadiness_percent: M, swing_ratio: M, hat_on_2_and_4_percent: M,
        backbeat_heavy: YesNo, kick_re_ride_db: M }
    Layers { bass: M, drums: M, comping: M, horns: M }
    Loudness { integrated_lufs: M, range_lu: M, true_peak_dbtp: M }
    Tempo { bpm: M, drift_percent: M, steadiness_percent: M, beat_times_s: Vec<f64>, beat_in_bar: Vec<u8> }
    Feel { swing_ratio: M, hat_on_2_and_4_percent: M, backbeat_heavy: YesNo, kick_re_ride_db: M, bass_to_drums_ms: M,
        comping_onsets_per_bar: M }
    TakeTuning { bass: Player, guitar: Player, piano: Player, horns: Player, bass_close_recording: Option<Text>,
        bass_strings: Option<Vec<PlayedString>> }
    PlayedString { string_midi: u8, offset_from_player_cents: M, share_of_time_percent: f64 }
    Player { offset_from_a440_cents: M, offset_from_band_cents: M }
    Tuning { concert_pitch_hz: M, instruments: Instruments }
    Instruments { bass: Instrument, guitar: Instrument, piano: Instrument }
    Instrument { offset_from_a440_cents: M, offset_from_band_cents: M, drift_cents_per_min: M, at_start_cents: M,
        at_end_cents: M, retuned_at_s: Vec<f64>, tuned_before_first_take_s: Option<M> }
    Balance { third_octave: Vec<Band>, tilt_db_per_octave: M, low_end_excess_db: M, low_end_share: Share,
        standing_out: Vec<StandingOut>, target: Target }
    Band { mid_hz: f64, level_db: Option<f64>, target_low_db: Option<f64>, target_db: Option<f64>, target_high_db: Option<f64> }
    Share { bass: M, kick: M, other: M }
    StandingOut { hz: f64, db: M, kind: StandingOutKind, note: Option<Text> }
    Tone { bass_notes: Vec<BassNote>, low_re_own_target_db: M, bass_bands: Option<Vec<f64>> }
    BassNote { midi: u8, level_dbfs: Option<f64>, n: u32, all_dbfs: Option<f64> }
    Target { name: Text, source: Text }
    AmpAdvice { instrument: Text, control: Control, corner_hz: Option<f64>, change_db: M, expected_low_end_excess_db: M }
    Exposure { leq_dba: M, niosh_dose_percent: M, osha_dose_percent: M, lex_8h_dba: M, caution: Text, session_hours: Option<f64>,
        session_hours_source: Option<Text>, osha_threshold_dba: Option<f64> }
    MarkedChart { known_by: Text, tempo_bpm: Option<f64>, feel: Option<Text> }
    Finding { id: Text, player: Text, severity: u8, statement: Text, ask: Text, evidence: Vec<Evidence>, confidence: f64 }
    Evidence { start_s: f64, end_s: f64, measure: Text, value: M, threshold: f64 }
    Curves { schema: Schema, hop_s: f64, short_term_lufs: Curve, momentary_max_lufs: Curve, low_end_excess_db: Curve,
        layers_lufs: LayerCurves, tempo_bpm: Curve, bass_cents: Curve, guitar_cents: Curve,
        band_cents: Option<Curve> }
    LayerCurves { bass: Curve, drums: Curve, comping: Curve, horns: Curve }
    Season { schema: Schema, rehearsals: Vec<Rehearsal>, trends: Vec<Trend>, habits: Vec<Habit>,
        festival: Option<Festival>, left_out: Vec<LeftOut>, charts: Vec<ChartPlayed>, takes_without_chart: Vec<UnnamedTake>,
        charts_method: Text }
    ChartPlayed { name: Text, titled: bool, takes: Vec<TakeOfChart>, weeks: Vec<ChartWeek> }
    TakeOfChart { date: Text, folder: Text, take: usize, start_s: f64, called: Text, known_by: Text, confidence: f64 }
    ChartWeek { date: Text, takes: usize, bpm: M, drift_percent: M, steadiness_percent: M, swing_ratio: M,
        bass_offset_from_band_cents: M, guitar_offset_from_band_cents: M, repeats: Vec<Repeat> }
    Repeat { folder: Text, take: usize, time: usize, change_bpm: M, verdict: Option<Text>, said: Text }
    UnnamedTake { date: Text, folder: Text, take: usize, reason: Text }
    Rehearsal { date: Text, tapes: Vec<TapeRef>, values: BTreeMap<Text, M>, methods: BTreeMap<Text, Text>,
        recorder: Recorder, warnings: Option<Texts> }
    TapeRef { folder: Text, file_name: Text, content_hash: Text, recorded_at_source: Option<Text> }
    Recorder { sample_rate_hz: u32, channels: u16, codec: Text, low_cut_hz: Option<f64> }
    Trend { measure: Text, slope_per_week: M, verdict: TrendVerdict, broken_at: Vec<LineBreak>, from_date: Option<Text>,
        to_date: Option<Text>, earlier: Option<Vec<TrendLine>> }
    TrendLine { from_date: Text, to_date: Text, slope_per_week: M, verdict: TrendVerdict }
    Festival { date: Text, weeks_left: Option<f64>, goals: Vec<GoalState>, run_through: RunThrough, amp: Vec<AmpEffect> }
    GoalState { measure: Text, title: Text, unit: Text, at_least: Option<f64>, at_most: Option<f64>, at_start: M,
        start_date: Option<Text>, now: M, slope_per_week: M, at_festival: M, met_now: Answer, will_be_met: Answer }
    RunThrough { slot_minutes: f64, charts: Vec<ChartLength>, takes_minutes: M, changes_minutes: M, total_minutes: M, fits: Answer }
    ChartLength { title: Text, minutes: M }
    AmpEffect { date: Text, what: Text, before_db: M, after_db: M, change_db: M, verdict: Text }
    LineBreak { date: Text, reason: Text }
    Habit { id: Text, player: Text, statement: Text, seen: u64, judged: u64, size: M, unit: Text, evidence: Vec<HabitEvidence> }
    HabitEvidence { date: Text, folder: Text, finding: Text }
    LeftOut { folder: Text, file_name: Option<Text>, reason: Text, same_as: Option<Text> }
}

type Curve = Vec<Option<f64>>;

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    Take,
    Talk,
    Tuning,
    Quiet,
    Other,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PartSource {
    Sheet,
    Marks,
    Found,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StandingOutKind {
    OneNote,
    EveryNote,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Control {
    Low,
    Mid,
    High,
    Level,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TrendVerdict {
    Up,
    Down,
    NoChangeBeyondNoise,
    TooFew,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    Yes,
    No,
    CannotTell,
}
