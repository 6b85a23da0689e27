//! A mock source of reports: whole, rounded-looking reports without any sound behind them.

use ledgerline::passages::PassageKind;
use ledgerline::report::*;
use ledgerline::stats::Measured;

/// Small reproducible random numbers (SplitMix64; Steele, Lea and Flood 2014).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }
}

/// What varies between mock tapes.
#[derive(Clone, Debug)]
pub struct Spec {
    pub recorded_at: Option<String>,
    pub file_name: String,
    pub content_hash: String,
    pub take_s: f64,
    pub talk_s: f64,
    pub lufs: f64,
    pub low_end_db: f64,
    pub codec: String,
    pub low_cut_hz: Option<f64>,
    pub method: String,
    pub bass_cents: Option<f64>,
}

impl Spec {
    pub fn on(date: &str, hash: &str) -> Self {
        Self {
            recorded_at: Some(date.to_owned()),
            file_name: "rehearsal.wav".to_owned(),
            content_hash: hash.to_owned(),
            take_s: 1200.0,
            talk_s: 900.0,
            lufs: -21.0,
            low_end_db: 2.0,
            codec: "pcm_s16le".to_owned(),
            low_cut_hz: Some(45.0),
            method: "1".to_owned(),
            bass_cents: None,
        }
    }
}

fn absent() -> Measured {
    Measured::absent("not_measured_yet")
}

fn player() -> PlayerTuning {
    PlayerTuning { offset_from_a440_cents: absent(), offset_from_band_cents: absent() }
}

fn instrument(offset: Option<f64>) -> InstrumentTuning {
    InstrumentTuning {
        offset_from_a440_cents: offset.map_or_else(absent, |c| Measured::symmetric(c, 1.5, 40)),
        offset_from_band_cents: absent(),
        drift_cents_per_min: absent(),
        at_start_cents: absent(),
        at_end_cents: absent(),
        retuned_at_s: Vec::new(),
        tuned_before_first_take_s: None,
    }
}

fn ok() -> Verdict {
    Verdict { ok: true, reason: String::new() }
}

fn layers(m: &Measured) -> LayerLevels {
    LayerLevels { bass: m.clone(), drums: m.clone(), comping: m.clone(), horns: m.clone() }
}

fn health(spec: &Spec) -> HealthFacts {
    HealthFacts {
        gain_riding: Measured::plain(false, 1),
        clipped_percent: Measured::new(0.0, 0.0, 0.0001, 1000),
        low_cut_hz: spec.low_cut_hz.map_or_else(absent, |hz| Measured::symmetric(hz, 5.0, 20)),
        high_cut_hz: Measured::symmetric(18_000.0, 300.0, 20),
        hum_hz: Measured::absent("no_hum"),
        noise_floor_dbfs: Measured::symmetric(-62.3, 0.8, 30),
        dc_offset: Measured::symmetric(0.0, 0.00002, 4),
        dead_channels: Vec::new(),
        trusted_for: TrustedFor { balance: ok(), low_end: ok(), loudness_over_time: ok(), tuning: ok(), time: ok() },
    }
}

fn close() -> CloseFacts {
    CloseFacts {
        recordings: vec![CloseRecording { player: "bass".into(), file_name: "close.m4a".into(), channels: vec![3] }],
        bass_to_drums_ms: Measured::symmetric(11.25, 2.4, 140),
        drums_heard: Some("room".into()),
        bass_note_length_ms: Measured::new(310.0, 300.0, 322.0, 140),
        bass_note_length_percent: Measured::new(91.25, 90.0, 93.5, 140),
        guitar_hits_per_bar: absent(),
        piano_hits_per_bar: absent(),
        comping_together_percent: absent(),
        guitar_after_piano_ms: absent(),
        comping_onsets_per_bar: Measured::symmetric(6.2, 0.7, 300),
        crowded_bars: vec![CrowdedBar { bar: 9, start_s: 30.0, end_s: 31.6, hits: 10 }],
    }
}

fn take(spec: &Spec, start_s: f64, end_s: f64) -> TakeFacts {
    let beats = 40;
    TakeFacts {
        start_s,
        end_s,
        title: "Blue Street".into(),
        marked: Some(MarkedChart { known_by: "order".into(), tempo_bpm: Some(132.0), feel: Some("swing".into()) }),
        parts: vec![PartFacts {
            label: "1".into(),
            source: PartSource::Found,
            start_s,
            end_s,
            same_form_as: Some("1".into()),
            loudness_lufs: Measured::symmetric(spec.lufs, 0.4, 12),
            low_end_excess_db: Some(Measured::symmetric(spec.low_end_db, 0.9, 12)),
            layers_lufs: layers(&absent()),
            layers_re_band_lu: None,
            layers_from_close: vec!["bass".into()],
            time: None,
        }],
        loudness: LoudnessFacts {
            integrated_lufs: Measured::symmetric(spec.lufs, 0.5, 300),
            range_lu: Measured::symmetric(7.3, 0.6, 300),
            true_peak_dbtp: Measured::new(-4.2, -4.6, -4.0, 1),
        },
        low_end_excess_db: Some(Measured::symmetric(spec.low_end_db, 0.8, 40)),
        tempo: TempoFacts {
            bpm: Measured::symmetric(151.37, 0.4, beats),
            drift_percent: absent(),
            steadiness_percent: absent(),
            beat_times_s: (0..beats).map(|k| start_s + 0.4 * k as f64 + 0.1234).collect(),
            beat_in_bar: (0..beats).map(|k| (k % 4) as u8 + 1).collect(),
        },
        feel: FeelFacts {
            swing_ratio: absent(),
            hat_on_2_and_4_percent: absent(),
            backbeat_heavy: Measured::absent("not_measured_yet"),
            kick_re_ride_db: absent(),
            bass_to_drums_ms: absent(),
            comping_onsets_per_bar: absent(),
        },
        tuning: TakeTuning {
            bass: player(),
            guitar: player(),
            piano: player(),
            horns: player(),
            bass_close_recording: Some("close.m4a".into()),
            bass_strings: vec![PlayedString {
                string_midi: 28,
                offset_from_player_cents: Measured::symmetric(-3.0, 5.8, 4),
                share_of_time_percent: 31.0,
            }],
        },
        close: Some(close()),
        time_detail: TimeDetail::default(),
        form_bars: Some(Measured::new(12.0, 12.0, 12.0, 3)),
        harmony: Some(HarmonyFacts {
            concert_pitch_cents: Measured::symmetric(3.21, 4.0, beats),
            chords: vec!["900050070030".into(); 4],
            bass: vec!["900000020000".into(); 4],
        }),
    }
}

fn balance(spec: &Spec) -> BalanceFacts {
    BalanceFacts {
        third_octave: (-14..=10)
            .map(|k| ThirdOctave {
                mid_hz: 1000.0 * 10f64.powf(f64::from(k) / 10.0),
                level_db: (k > -12).then(|| -0.7 * f64::from(k) + 0.123),
                target_low_db: Some(-3.3333),
                target_db: Some(0.1111),
                target_high_db: Some(3.3333),
            })
            .collect(),
        tilt_db_per_octave: Measured::symmetric(-4.31, 0.3, 25),
        low_end_excess_db: Measured::symmetric(spec.low_end_db, 0.7, 400),
        low_end_share: LowEndShare { bass: absent(), kick: absent(), other: absent() },
        standing_out: vec![StandingOut {
            hz: 98.0,
            db: Measured::symmetric(4.44, 1.0, 9),
            kind: StandingOutKind::OneNote,
            note: Some("G2".into()),
        }],
        target: TargetFacts { name: "demo".into(), source: "made for the tests".into() },
    }
}

/// A whole report of a mock tape: talk, tuning, one take, quiet.
pub fn mock_report(spec: &Spec) -> Report {
    let (tuning_s, quiet_s) = (30.0, 20.0);
    let take_start = spec.talk_s + tuning_s;
    let take_end = take_start + spec.take_s;
    let edges = [
        (PassageKind::Talk, 0.0, spec.talk_s),
        (PassageKind::Tuning, spec.talk_s, take_start),
        (PassageKind::Take, take_start, take_end),
        (PassageKind::Quiet, take_end, take_end + quiet_s),
    ];
    let passages = edges.map(|(kind, start_s, end_s)| {
        let string = OpenString {
            instrument: "bass".into(),
            string_midi: 33,
            offset_from_a440_cents: Measured::symmetric(-3.21, 1.0, 3),
        };
        let strings = if kind == PassageKind::Tuning { vec![string] } else { Vec::new() };
        PassageFacts { kind, start_s, end_s, confidence: 0.97, strings }
    });
    Report {
        schema: Schema {
            name: REPORT_SCHEMA_NAME.into(),
            version: REPORT_SCHEMA_VERSION,
            revision: REPORT_SCHEMA_REVISION,
        },
        program: Program { name: "ledgerline".into(), version: "0.1.0".into() },
        assumed: vec!["concert pitch A = 440 Hz".into()],
        sheet: Some(SheetFacts {
            file: "spring/band.toml".into(),
            key: "00ff".into(),
            problems: vec!["band.toml:3:1: x".into()],
        }),
        methods: ["health", "passages", "loudness", "balance", "tuning", "time", "layers"]
            .map(|family| Method { family: family.into(), id: format!("{family}-{}", spec.method) })
            .to_vec(),
        tape: TapeFacts {
            file_name: spec.file_name.clone(),
            pieces: vec![spec.file_name.clone()],
            content_hash: spec.content_hash.clone(),
            duration_s: take_end + quiet_s,
            sample_rate_hz: 48_000,
            channels: 2,
            codec: spec.codec.clone(),
            recorded_at: spec.recorded_at.clone(),
            recorded_at_source: spec.recorded_at.as_ref().map(|_| "bext".into()),
            gaps: vec![Span { start_s: 3.0, end_s: 3.0213 }],
            marks: vec![MarkFacts { at_s: 12.3456, label: "head".into() }],
            warnings: vec!["packets_lost".into()],
        },
        recorded_with: Some(RecordedWith {
            key: "00aa".into(),
            heard_close_to: None,
            tapes: vec![OtherTape {
                file_name: "close.m4a".into(),
                close_to: Some("bass".into()),
                heard_close_to: None,
                offset_s: Measured::symmetric(-12.3456, 0.002, 40),
                clock_ppm: Measured::symmetric(31.25, 2.0, 40),
                common: Some(Span { start_s: 0.0, end_s: 100.0 }),
            }],
        }),
        health: health(spec),
        passages: passages.to_vec(),
        time_use: TimeUse { take_s: spec.take_s, talk_s: spec.talk_s, tuning_s, quiet_s, other_s: 0.0 },
        takes: vec![take(spec, take_start, take_end)],
        tuning: TuningFacts {
            concert_pitch_hz: Measured::symmetric(441.234, 0.2, 80),
            instruments: InstrumentTunings {
                bass: instrument(spec.bass_cents),
                guitar: instrument(None),
                piano: instrument(None),
            },
        },
        balance: balance(spec),
        tone: None,
        amp_advice: vec![AmpAdvice {
            instrument: "bass".into(),
            control: AmpControl::Low,
            corner_hz: Some(100.0),
            change_db: Measured::symmetric(-3.0, 1.0, 1),
            expected_low_end_excess_db: Measured::symmetric(0.2, 1.2, 1),
        }],
        exposure: Some(Exposure {
            leq_dba: Measured::symmetric(88.123, 2.0, 1),
            niosh_dose_percent: Measured::symmetric(61.239, 20.0, 1),
            osha_dose_percent: Measured::symmetric(11.239, 5.0, 1),
            lex_8h_dba: Measured::symmetric(82.123, 2.0, 1),
            caution: "Not a sound level meter and no substitute for one.".into(),
            session_hours: Some(1.5),
            session_hours_source: "sheet".into(),
            osha_threshold_dba: Some(80.0),
        }),
        findings: vec![Finding {
            id: "low_end_above_target".into(),
            player: "bass".into(),
            severity: 2,
            statement: "The low end is above the target.".into(),
            ask: "Try a little less low on the bass amplifier.".into(),
            evidence: vec![Evidence {
                start_s: take_start,
                end_s: take_end,
                measure: "balance.low_end_excess_db".into(),
                value: Measured::symmetric(spec.low_end_db, 0.7, 400),
                threshold: 1.0,
            }],
            confidence: 0.9731,
        }],
    }
}

/// Curves of a mock tape, one second a hop, with silences.
pub fn mock_curves(seconds: usize) -> Curves {
    let curve = |scale: f64, shift: f64| -> Vec<Option<f64>> {
        (0..seconds).map(|k| (k % 7 != 3).then(|| scale * (k as f64 * 0.37).sin() + shift)).collect()
    };
    Curves {
        hop_s: 1.0,
        short_term_lufs: curve(3.0, -23.0),
        momentary_max_lufs: curve(4.0, -21.0),
        low_end_excess_db: curve(2.0, 1.0),
        layers_lufs: LayerCurves {
            bass: curve(2.0, -30.0),
            drums: curve(2.0, -27.0),
            comping: curve(2.0, -33.0),
            horns: curve(2.0, -25.0),
        },
        tempo_bpm: curve(2.0, 150.0),
        bass_cents: curve(6.0, -4.0),
        guitar_cents: curve(6.0, 2.0),
        band_cents: curve(6.0, 0.0),
    }
}
