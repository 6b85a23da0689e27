//! Three hundred rehearsals: how long the season takes to be redrawn. `cargo bench --bench season -- [OUT.json]`
//!
//! Reports are those of the demo band (reports/demo), each given a date, a hash and as many beats as an hour of playing has.
//! Timed are the first run, which draws every player's sheet, and later ones, which draw the season alone.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::time::Instant;

use ledgerline::pipeline;
use ledgerline::report::write::{curves_bytes, report_bytes};
use ledgerline::report::{CURVES_FILE, Curves, REPORT_FILE, Report, read_curves, read_report};

const REHEARSALS: usize = 300;
const BEATS: usize = 9000;
const RUNS: usize = 5;

fn demo_reports() -> Vec<(Report, Curves)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("reports/demo");
    let mut dirs: Vec<_> = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).collect();
    dirs.retain(|d| d.join(REPORT_FILE).exists());
    dirs.sort();
    dirs.iter().map(|d| (read_report(d).unwrap(), read_curves(d).unwrap())).collect()
}

fn write_rehearsals(out: &Path) {
    let demo = demo_reports();
    for k in 0..REHEARSALS {
        let (mut report, curves) = demo[k % demo.len()].clone();
        let date = jiff::civil::date(2020, 1, 6).checked_add(jiff::Span::new().days(7 * k as i64)).unwrap();
        report.tape.recorded_at = Some(format!("{date}T15:35:00"));
        report.tape.content_hash = format!("{k:064x}");
        let tempo = &mut report.takes[0].tempo;
        tempo.beat_times_s = (0..BEATS).map(|b| 0.4 * b as f64).collect();
        tempo.beat_in_bar = (0..BEATS).map(|b| (b % 4) as u8 + 1).collect();
        let dir = out.join(format!("{date}_rehearsal"));
        std::fs::create_dir(&dir).unwrap();
        // Written plainly: flushing each file to the disk is not what is timed here.
        std::fs::write(dir.join(REPORT_FILE), report_bytes(&report).unwrap()).unwrap();
        std::fs::write(dir.join(CURVES_FILE), curves_bytes(&curves).unwrap()).unwrap();
    }
}

fn main() {
    let out = tempfile::tempdir().unwrap();
    write_rehearsals(out.path());
    let timed = || {
        let clock = Instant::now();
        let season = pipeline::redraw_season(out.path(), Some(&pipeline::demo_festival())).unwrap();
        (clock.elapsed().as_secs_f64(), season)
    };
    let (first_s, season) = timed();
    let later: Vec<f64> = (0..RUNS).map(|_| timed().0).collect();
    let result = serde_json::json!({
        "program": env!("CARGO_PKG_VERSION"),
        "cores": std::thread::available_parallelism().map_or(0, usize::from),
        "rehearsals": season.rehearsals,
        "beats_a_report": BEATS,
        "sheets_drawn_by_the_first_run": season.sheets_drawn,
        "first_run_s": first_s,
        "later_runs_s": later,
    });
    println!("{result:#}");
    let path = std::env::args().skip(1).find(|a| a.ends_with(".json"));
    if let Some(path) = path {
        std::fs::write(path, format!("{result:#}\n")).unwrap();
    }
}
