//! The parts of a chart.

use super::table::Table;
use super::types::{ChartPart, Extent};

/// Most bars of a chart.
const MOST_BARS: u32 = 5000;

/// `[[chart.part]]`.
pub fn parts(chart: &Table) -> Vec<ChartPart> {
    let mut parts: Vec<ChartPart> = Vec::new();
    for t in chart.tables("part", "chart.part", "chart.part") {
        let label = t.text("label").unwrap_or_else(|| (parts.len() + 1).to_string());
        let Some(extent) = extent(&t) else { continue };
        match parts.last().map(|last| after(&last.extent, &extent)) {
            Some(Err(message)) => t.say("label", format!("part \"{label}\" {message}; it is left out")),
            _ => parts.push(ChartPart { label, extent }),
        }
    }
    parts
}

fn extent(t: &Table) -> Option<Extent> {
    let (by_bars, by_clock) = (t.has("from_bar") || t.has("bars"), t.has("from") || t.has("to"));
    match (by_bars, by_clock) {
        (true, false) => {
            let (from_bar, bars) = (t.whole("from_bar", 1, MOST_BARS), t.whole("bars", 1, MOST_BARS));
            if !(t.has("from_bar") && t.has("bars")) {
                t.say("label", "a part in bars needs both from_bar and bars; it is left out".to_owned());
            }
            Some(Extent::Bars { from_bar: from_bar?, bars: bars? })
        }
        (false, true) => {
            let (from, to) = (t.clock("from"), t.clock("to"));
            if !(t.has("from") && t.has("to")) {
                t.say("label", "a part by the clock needs both from and to; it is left out".to_owned());
            }
            let (from, to) = (from?, to?);
            if to <= from {
                t.say("to", "the part ends before it begins; it is left out".to_owned());
                return None;
            }
            Some(Extent::Clock { from, to })
        }
        _ => {
            let message = "a part needs from_bar and bars, or from and to, and not both; it is left out";
            t.say("label", message.to_owned());
            None
        }
    }
}

/// Does a part follow the one before it?
fn after(last: &Extent, next: &Extent) -> Result<(), String> {
    match (*last, *next) {
        (Extent::Bars { from_bar: a, bars }, Extent::Bars { from_bar: b, .. }) if b < a.saturating_add(bars) => {
            Err(format!("begins in bar {b}, before bar {} where the part before it ends", a + bars))
        }
        (Extent::Clock { to, .. }, Extent::Clock { from, .. }) if from < to - 1e-9 => {
            Err("begins before the part before it ends".to_owned())
        }
        (Extent::Bars { .. }, Extent::Clock { .. }) | (Extent::Clock { .. }, Extent::Bars { .. }) => {
            Err("is given in another way than the one before it (bars or the clock)".to_owned())
        }
        _ => Ok(()),
    }
}
