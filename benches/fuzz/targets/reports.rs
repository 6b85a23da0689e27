//! Any bytes as one of our own files: read, checked, and made into a season.
//! The first byte says which kind of file the rest is taken for.
#![no_main]

#[path = "common.rs"]
mod common;

use std::path::Path;

use ledgerline::report::read::{self, parse};
use ledgerline::report::{self, CurvesFile, Report};
use ledgerline::season::{self, Entry, Season, build_season};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((kind, bytes)) = data.split_first() else { return };
    let name = Path::new("fuzz.json");
    common::must_not_panic(|| match kind % 4 {
        0 => {
            if let Ok(report) = parse::<Report>(bytes, name, &read::REPORT) {
                let _ = report::contract_faults(&report);
                let twice = [("a", report.clone()), ("b", report)];
                let entries = twice.map(|(folder, r)| Entry { folder: folder.to_owned(), report: Ok(r) });
                let season = build_season(&entries);
                let _ = report::write::laid_out(&season);
            }
        }
        1 => drop(parse::<CurvesFile>(bytes, name, &read::CURVES)),
        2 => drop(parse::<Season>(bytes, name, &season::SEASON)),
        _ => {
            let path = common::in_memory_file(bytes);
            if let Ok(file) = report::read_target(&path, Path::new("/")) {
                let _ = file.target();
            }
        }
    });
});
