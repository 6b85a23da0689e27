//! Guards the one-way data flow: reads every `crate::` arrow in src and fails on a forbidden one.

use std::collections::BTreeSet;
use std::path::Path;

const LEAVES: [&str; 2] = ["stats", "units"];

/// Rooms that each room may use besides the leaves and itself.
fn allowed(room: &str) -> &'static [&'static str] {
    match room {
        "stats" | "units" | "dsp" => &[],
        "tape" | "health" => &["dsp"],
        // Reads files of its own, as tape does; its types are plain data.
        "sheet" => &[],
        "passages" => &["dsp", "health"],
        "measure" => &["dsp", "health", "passages"],
        "findings" => &["health", "passages", "measure"],
        "report" => &["health", "passages", "measure", "findings"],
        "chart" | "season" => &["report", "passages", "findings"],
        "demo" => &["dsp", "tape"],
        "pipeline" => {
            &["tape", "dsp", "health", "passages", "measure", "findings", "report", "chart", "season", "demo", "sheet"]
        }
        "cli" => &["pipeline", "report", "season", "demo", "tape", "sheet"],
        "main" => &["cli"],
        "lib" => &[],
        other => panic!("room {other} has no row in the table of arrows"),
    }
}

fn rust_files(dir: &Path) -> Vec<std::path::PathBuf> {
    walkdir::WalkDir::new(dir)
        .sort_by_file_name()
        .into_iter()
        .map(|e| e.unwrap().into_path())
        .filter(|p| p.extension().is_some_and(|x| x == "rs"))
        .collect()
}

/// Room names that follow `crate::` (or `ledgerline::` in main) in code, comments left out.
fn arrows(source: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for line in source.lines().map(|l| l.split("//").next().unwrap_or("")) {
        for prefix in ["crate::", "ledgerline::"] {
            for rest in line.split(prefix).skip(1) {
                let inner = rest.trim_start_matches('{');
                let name: String = inner.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                found.insert(name);
            }
        }
    }
    found
}

fn forbidden(room: &str, source: &str) -> Vec<String> {
    arrows(source)
        .into_iter()
        .filter(|to| to != room && !LEAVES.contains(&to.as_str()) && !allowed(room).contains(&to.as_str()))
        .map(|to| format!("{room} -> {to}"))
        .collect()
}

#[test]
fn no_room_uses_one_that_lies_after_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut bad = Vec::new();
    let mut seen = 0;
    for file in rust_files(&src) {
        let inside = file.strip_prefix(&src).unwrap();
        let room = inside.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        if room == "lib" {
            continue;
        }
        seen += 1;
        for arrow in forbidden(&room, &std::fs::read_to_string(&file).unwrap()) {
            bad.push(format!("{}: {arrow}", inside.display()));
        }
    }
    assert!(seen > 10, "only {seen} files were read");
    assert!(bad.is_empty(), "forbidden arrows:\n{}", bad.join("\n"));
}

#[test]
fn siblings_in_measure_never_import_each_other() {
    let measure = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/measure");
    for file in rust_files(&measure) {
        let inside = file.strip_prefix(&measure).unwrap();
        let family = inside.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        let text = std::fs::read_to_string(&file).unwrap();
        for rest in text
            .lines()
            .map(|l| l.split("//").next().unwrap_or(""))
            .flat_map(|l| l.split("measure::").skip(1).collect::<Vec<_>>())
        {
            let to: String = rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            assert!(family == "mod" || to == family, "{}: uses measure::{to}", inside.display());
        }
    }
}

#[test]
fn the_guard_sees_a_forbidden_arrow() {
    assert_eq!(forbidden("dsp", "use crate::report::Report;"), ["dsp -> report"]);
    assert_eq!(forbidden("tape", "use crate::dsp::Block; // crate::chart is fine in a comment"), Vec::<String>::new());
}
