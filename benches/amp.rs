//! Low end, bass tone and amp advice on rendered twins with known truth.
//!
//! `cargo bench --bench amp -- GRID OUT.json`: GRID was made by `amp_fit/render_grid.py`. Every base is a take, its twins
//! are the same take with one filter on the bass (or on all, for a peak at the microphone). Prints and writes: change of
//! the low end, low control and kind of difference of each twin against its flat take, shares of the low end, and the
//! advice that the flat takes get without and with a target of the same player.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use ledgerline::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING};
use ledgerline::dsp::{Block, Meter, SpectrumStream};
use ledgerline::findings::{AmpCorners, AmpInputs, BASS_SHARE, advise};
use ledgerline::health::{Health, HealthMeter};
use ledgerline::measure::balance::{BalanceMeter, BalanceReading, HearingLimits, Target};
use ledgerline::measure::layers::LayerMeter;
use ledgerline::measure::tone::{
    Control, ControlChange, LowEndShares, NoteSpectrum, ToneDifference, ToneKind, ToneMeter, ToneReading,
    tone_difference,
};
use ledgerline::stats::Measured;
use ledgerline::tape::{Tape, TapeSource};
use serde_json::{Value, json};

struct Heard {
    tone: ToneReading,
    balance: BalanceReading,
    health: Health,
}

fn main() {
    let arguments: Vec<PathBuf> = std::env::args().skip(1).filter(|a| a != "--bench").map(PathBuf::from).collect();
    let [grid, out] = &arguments[..] else {
        eprintln!("amp: give the folder of the grid and a file for the results; nothing measured");
        return;
    };
    let mut bases: Vec<PathBuf> = std::fs::read_dir(grid).unwrap().map(|e| e.unwrap().path()).collect();
    bases.retain(|p| p.extension().is_some_and(|x| x == "json") && !p.to_string_lossy().contains(".truth."));
    bases.sort();
    let mut rows = Vec::new();
    for base in &bases {
        let truth: Value = serde_json::from_slice(&std::fs::read(base).unwrap()).unwrap();
        rows.extend(measure_base(grid, &truth));
    }
    summary(&rows);
    std::fs::write(out, serde_json::to_string(&rows).unwrap() + "\n").unwrap();
}

fn hear(path: &Path) -> Heard {
    let mut tape = Tape::open(&TapeSource { pieces: vec![path.to_owned()] }).unwrap();
    let rate = tape.info().sample_rate_hz;
    let (mut short, mut long) = (SpectrumStream::new(SHORT_FRAMING), SpectrumStream::new(LONG_FRAMING));
    let mut layers = LayerMeter::tapped();
    let mut tone = ToneMeter::new(&layers.mask_edges_hz());
    let (mut balance, mut health) = (BalanceMeter::new(), HealthMeter::default());
    let mut next = 0;
    while let Some(mut block) = tape.next_block().unwrap() {
        short.push(&block.mono, &mut block.short_spectra);
        long.push(&block.mono, &mut block.long_spectra);
        next = block.start_frame + block.channels[0].len() as u64;
        layers.push(&block);
        tone.push(&block, layers.take_masks());
        balance.push(&block);
        health.push(&block);
    }
    let mut last = Block { start_frame: next, sample_rate_hz: rate, ..Block::default() };
    short.finish(&mut last.short_spectra);
    long.finish(&mut last.long_spectra);
    layers.push(&last);
    layers.flush();
    tone.push(&last, layers.take_masks());
    balance.push(&last);
    health.push(&last);
    Heard { tone: tone.finish(), balance: balance.finish(), health: health.finish().judge(&[], &[]) }
}

fn measure_base(grid: &Path, truth: &Value) -> Vec<Value> {
    let take = (truth["take"][0].as_f64().unwrap(), truth["take"][1].as_f64().unwrap());
    let mut flat: Option<(NoteSpectrum, Measured, f64, f64)> = None;
    let mut flat_tone: Option<ToneReading> = None;
    let mut rows = Vec::new();
    for twin in truth["twins"].as_array().unwrap() {
        let heard = hear(&grid.join(twin["file"].as_str().unwrap()));
        let notes = heard.tone.note_spectrum(&[take]);
        let target = Target::published_average();
        let over = heard.balance.over(&[take], &target, HearingLimits::default());
        let shares = heard.tone.low_end_shares(&[take]);
        let true_low = twin["low_re_mid_db"].as_f64().unwrap();
        let mut row = json!({"base": truth["base"], "bass": truth["bass"], "twin": twin, "low_re_mid_db": over.low_re_mid_db,
            "share": {"bass": shares.bass, "kick": shares.kick, "other": shares.other}, "notes": notes.heard()});
        let middle = (take.0 + take.1) / 2.0;
        let halves = [(take.0, middle), (middle, take.1)].map(|half| heard.tone.note_spectrum(&[half]));
        let apart = tone_difference(&halves[0], &halves[1]).with_share(shares.bass.value);
        row["halves_low_db"] = json!(apart.low_db);
        row["halves_one_note"] = json!(matches!(apart.kind, ToneKind::OneNote { .. }));
        row["halves_one_note_sure"] = json!(apart.note_is_sure);
        row["note_dbfs"] = json!(notes.level_dbfs.to_vec());
        let none = ToneDifference::absent("target_of_other_players");
        row["advice_published"] = advice(&heard, take, &over.low_end_excess_db, target.low_end_sd_db(), &shares, &none);
        let share = shares.bass.value.unwrap_or(0.0);
        if let Some((flat_notes, flat_low, flat_true, flat_share)) = &flat {
            let found = tone_difference(flat_notes, &notes).with_share(Some(share.min(*flat_share)));
            let moved = |m: &Measured| m.value.unwrap() - flat_low.value.unwrap();
            row["pair"] = json!({"low_re_mid_change_db": moved(&over.low_re_mid_db), "true_change_db": true_low - flat_true,
                "low_db": found.low_db, "note_db": found.note_db, "least_share": share.min(*flat_share),
                "kind": match found.kind { ToneKind::EveryNote => "every_note", ToneKind::OneNote { .. } => "one_note", ToneKind::Alike => "alike", ToneKind::Covered => "covered" },
                "midi": if let ToneKind::OneNote { midi } = found.kind { Some(midi) } else { None }});
            if twin["kind"] == "shelf" {
                let change = ControlChange {
                    control: Control::Low,
                    corner_hz: number(&twin["hz"]),
                    change_db: number(&twin["db"]),
                };
                let promised = flat_tone.as_ref().and_then(|t| t.low_re_mid_change_db(&[take], &[change]));
                row["pair"]["promised_change_db"] = json!(promised);
            }
            let own_excess = Measured { value: Some(moved(&over.low_re_mid_db)), ..over.low_re_mid_db.clone() };
            let own_excess = Measured::symmetric(own_excess.value.unwrap(), 0.5, 30);
            // As where a target is learnt: its own bass must have enough of the low end too.
            let told = *flat_share >= BASS_SHARE;
            let own = if told { found } else { ToneDifference::absent("low_end_is_not_mostly_bass") };
            row["advice_own"] = advice(&heard, take, &own_excess, 1.8, &shares, &own);
        } else {
            flat_tone = Some(heard.tone.clone());
            flat = Some((notes, over.low_re_mid_db.clone(), true_low, share));
        }
        rows.push(row);
    }
    rows
}

/// What the list `which` of a row advises for the low control.
fn low_advice<'a>(row: &'a Value, which: &str) -> Option<&'a Value> {
    Some(&row[which].as_array()?.iter().find(|x| x["control"] == "low")?["change_db"])
}

/// The same as a number, dB.
fn low(row: &Value, which: &str) -> Option<f64> {
    low_advice(row, which).map(|change| number(&change["value"]))
}

/// The advice against the player's own target is the least that is surely too much, not a number of its own.
fn at_least(row: &Value) -> bool {
    let warnings = low_advice(row, "advice_own").and_then(|change| change["warnings"].as_array());
    warnings.is_some_and(|warnings| warnings.iter().any(|w| w == "at_least"))
}

fn advice(
    heard: &Heard,
    take: (f64, f64),
    excess: &Measured,
    target_sd_db: f64,
    shares: &LowEndShares,
    own: &ToneDifference,
) -> Value {
    let advice = advise(&AmpInputs {
        low_end_ok: heard.health.low_end.ok,
        excess_db: excess,
        target_sd_db,
        shares,
        own,
        low_end_change_db: &|changes| heard.tone.low_re_mid_change_db(&[take], changes),
        corners: AmpCorners::default(),
    });
    advice
        .iter()
        .map(|a| json!({"control": if a.change.control == Control::Low { "low" } else { "level" }, "change_db": a.change_db, "expected_db": a.expected_db}))
        .collect()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(f64::NAN)
}

fn summary(rows: &[Value]) {
    let pairs =
        |kind: &str| rows.iter().filter(|r| r["twin"]["kind"] == kind && !r["pair"].is_null()).collect::<Vec<_>>();
    let shelves = pairs("shelf");
    let off: Vec<f64> = shelves
        .iter()
        .map(|r| number(&r["pair"]["low_re_mid_change_db"]) - number(&r["pair"]["true_change_db"]))
        .collect();
    println!(
        "{} shelf twins: change of the low end off by at most {:.3} dB",
        off.len(),
        off.iter().fold(0.0, |a: f64, b| a.max(b.abs()))
    );
    for least in [0.0, 0.4, 0.7, 0.75] {
        let of: Vec<&&Value> = shelves
            .iter()
            .filter(|r| number(&r["pair"]["least_share"]) >= least && r["pair"]["low_db"]["value"].is_number())
            .collect();
        let errors: Vec<f64> =
            of.iter().map(|r| number(&r["pair"]["low_db"]["value"]) - number(&r["twin"]["db"])).collect();
        let n = errors.len().max(1) as f64;
        let share = |f: &dyn Fn(&(&&Value, f64)) -> bool| {
            100.0 * of.iter().zip(&errors).map(|(r, e)| (*r, *e)).filter(|x| f(&(x.0, x.1))).count() as f64 / n
        };
        let sd = (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt();
        println!(
            "bass share >= {least}: {} twins, low control off by {sd:.2} dB rms, within 1.5 dB {:.0} %, sign {:.1} %, inside {:.0} %, every note {:.0} %, one note {:.0} %",
            errors.len(),
            share(&|x| x.1.abs() <= 1.5),
            share(&|x| number(&x.0["pair"]["low_db"]["value"]) * number(&x.0["twin"]["db"]) > 0.0),
            share(&|x| number(&x.0["pair"]["low_db"]["low"]) <= number(&x.0["twin"]["db"])
                && number(&x.0["twin"]["db"]) <= number(&x.0["pair"]["low_db"]["high"])),
            share(&|x| x.0["pair"]["kind"] == "every_note"),
            share(&|x| x.0["pair"]["kind"] == "one_note"),
        );
    }
    let broken: Vec<f64> = shelves
        .iter()
        .filter(|r| low(r, "advice_own").is_some())
        .map(|r| number(&r["pair"]["promised_change_db"]) - number(&r["pair"]["true_change_db"]))
        .collect();
    let within = broken.iter().filter(|x| x.abs() <= 1.0).count();
    println!("promised change of the low end, where advised: {within} of {} within 1 dB of what it was", broken.len());
    let modes = pairs("mode");
    let told: Vec<&&Value> = modes
        .iter()
        .filter(|r| {
            r["pair"]["kind"] != "covered"
                && (r["pair"]["low_db"]["value"].is_number() || r["pair"]["kind"] == "one_note")
        })
        .collect();
    let right = |of: &[&&Value]| {
        let is_right = |r: &&&&Value| {
            r["pair"]["kind"] == "one_note" && (number(&r["pair"]["midi"]) - number(&r["twin"]["key"])).abs() <= 1.0
        };
        of.iter().filter(is_right).count()
    };
    println!("{} peaks on one note, {} told: one note and the right one {}", modes.len(), told.len(), right(&told));
    let told_shelves: Vec<&&Value> =
        shelves.iter().filter(|r| r["pair"]["kind"] != "covered" && r["pair"]["low_db"]["value"].is_number()).collect();
    let wrong = told_shelves.iter().filter(|r| r["pair"]["kind"] == "one_note").count();
    println!("{} shelves told, {wrong} called one note", told_shelves.len());
    for who in ["bass", "kick", "other"] {
        let errors: Vec<f64> =
            rows.iter().map(|r| number(&r["share"][who]["value"]) - number(&r["twin"]["low_end_share"][who])).collect();
        let inside = rows.iter().filter(|r| {
            let t = number(&r["twin"]["low_end_share"][who]);
            number(&r["share"][who]["low"]) <= t && t <= number(&r["share"][who]["high"])
        });
        let mean = errors.iter().map(|e| e.abs()).sum::<f64>() / errors.len() as f64;
        println!(
            "share of {who}: off by {mean:.3} on average, inside {:.0} %",
            100.0 * inside.count() as f64 / rows.len() as f64
        );
    }
    let halves: Vec<f64> =
        rows.iter().map(|r| number(&r["halves_low_db"]["value"])).filter(|x| x.is_finite()).collect();
    let rms = (halves.iter().map(|x| x * x).sum::<f64>() / halves.len().max(1) as f64).sqrt();
    let count = |key: &str| rows.iter().filter(|r| r[key] == true).count();
    println!(
        "{} takes, second half against first: low control {rms:.2} dB rms (should be 0), one note {} times, surely {}",
        halves.len(),
        count("halves_one_note"),
        count("halves_one_note_sure")
    );
    for (kind, what) in [("flat", "flat takes"), ("shelf", "takes with a shelf of 6 dB and more")] {
        let of: Vec<&Value> = rows
            .iter()
            .filter(|r| r["twin"]["kind"] == kind && (kind == "flat" || number(&r["twin"]["db"]) >= 6.0))
            .collect();
        let advised: Vec<String> = of
            .iter()
            .filter_map(|r| {
                low(r, "advice_published").map(|db| format!("{} {db:+.1}", r["base"].as_str().unwrap_or("")))
            })
            .collect();
        println!(
            "{} {what}, target of the published average: {} get advice on the low control {advised:?}",
            of.len(),
            advised.len()
        );
    }
    // A shelf of less than 1.5 dB is not in the grid: what is not advised is not told.
    let own: Vec<(f64, f64, bool)> =
        shelves.iter().filter_map(|r| Some((low(r, "advice_own")?, number(&r["twin"]["db"]), at_least(r)))).collect();
    let (bounds, numbers): (Vec<&(f64, f64, bool)>, Vec<_>) = own.iter().partition(|x| x.2);
    let fit = numbers.iter().filter(|x| (x.0 + x.1).abs() <= 1.5).count();
    let held = bounds.iter().filter(|x| x.0 * x.1 < 0.0 && x.0.abs() <= x.1.abs()).count();
    let wrong = own.iter().filter(|x| x.0 * x.1 > 0.0).count();
    println!(
        "advice with the player's own target: {} of {} shelf twins, {fit} within 1.5 dB, {} more say at least how much, \
         {held} of them rightly, {wrong} with the wrong sign",
        numbers.len(),
        shelves.len(),
        bounds.len()
    );
}
