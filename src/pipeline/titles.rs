//! Which chart each take is: from the order of play that a band sheet tells.
//!
//! Conventions: as many titles as takes are taken one by one. Otherwise takes are laid along the titles in order, several
//! takes of one chart in a row allowed, titles left out allowed, by how far each take's tempo is from the marked one; a take
//! whose best title is not clearly better than the next stays unnamed.

use crate::measure::time::TakeTime;
use crate::sheet::{Chart, TapeSheet};

/// Tempi further apart than this are not the same chart, octaves.
const FAR_OCTAVES: f64 = 0.25;
/// How much better, in squared distances of [`SOFT_OCTAVES`], the best title must be than any other.
const MARGIN: f64 = 2.0;
/// Usual distance between the marked tempo and the one that is played, octaves: about 6 %.
const SOFT_OCTAVES: f64 = 0.08;
/// Cost of a title that no take has, and of a take without a title.
const LEFT_OUT: f64 = 4.0;

/// The title of a take and how it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    /// Title.
    pub title: String,
    /// "order" or "order_and_tempo".
    pub known_by: &'static str,
}

/// The titles of the takes, and what could not be settled, in words.
pub fn titles(sheet: &TapeSheet, takes: &[TakeTime]) -> (Vec<Option<Named>>, Vec<String>) {
    let order = &sheet.order;
    if order.is_empty() || takes.is_empty() {
        return (vec![None; takes.len()], Vec::new());
    }
    if order.len() == takes.len() {
        let named = |title: &String| Named { title: title.clone(), known_by: "order" };
        return (order.iter().map(|t| Some(t).filter(|t| !t.is_empty()).map(named)).collect(), Vec::new());
    }
    let found = along(sheet, takes);
    let missing = found.iter().filter(|f| f.is_none()).count();
    let counts = format!(
        "the order of play has {} and the tape {}",
        counted(order.len(), "title"),
        counted(takes.len(), "take")
    );
    let end = match missing {
        0 => "the takes are named by order and tempo".to_owned(),
        n if n == takes.len() => "no take is named by it".to_owned(),
        n => format!("{} unnamed", if n == 1 { "one take stays".to_owned() } else { format!("{n} takes stay") }),
    };
    (found, vec![format!("{counts}; {end}")])
}

fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

fn along(sheet: &TapeSheet, takes: &[TakeTime]) -> Vec<Option<Named>> {
    let charts: Vec<Option<&Chart>> = sheet.order.iter().map(|t| sheet.chart(t)).collect();
    let cost = |take: usize, title: usize| -> Option<f64> {
        let (played, marked) = (takes[take].tempo.bpm.value?, charts[title]?.tempo_bpm?);
        let octaves = (played / marked).log2().abs();
        (octaves < FAR_OCTAVES).then(|| (octaves / SOFT_OCTAVES).powi(2))
    };
    let costs: Vec<Vec<Option<f64>>> =
        (0..takes.len()).map(|t| (0..charts.len()).map(|c| cost(t, c)).collect()).collect();
    let same = |a: usize, b: usize| sheet.order[a] == sheet.order[b];
    let (_, path) = cheapest(&costs, &|_, _| true);
    (0..takes.len())
        .map(|take| {
            let title = path[take]?;
            let (best, _) = cheapest(&costs, &|_, _| true);
            let (other, _) = cheapest(&costs, &|t, c| t != take || c.is_none_or(|c| !same(c, title)));
            let named = Named { title: sheet.order[title].clone(), known_by: "order_and_tempo" };
            (other - best >= MARGIN && !named.title.is_empty()).then_some(named)
        })
        .collect()
}

/// The cheapest way to lay takes along titles in order: its cost, and the title of each take.
fn cheapest(costs: &[Vec<Option<f64>>], allowed: &dyn Fn(usize, Option<usize>) -> bool) -> (f64, Vec<Option<usize>>) {
    let titles = costs.first().map_or(0, Vec::len);
    // State: the number of titles that are behind us, the last of them still open for more takes.
    let mut total: Vec<f64> = (0..=titles).map(|c| LEFT_OUT * c as f64).collect();
    let mut back: Vec<Vec<(usize, Option<usize>)>> = Vec::new();
    for (take, row) in costs.iter().enumerate() {
        let mut next = vec![f64::INFINITY; titles + 1];
        let mut from = vec![(0, None); titles + 1];
        for (state, cost) in total.iter().enumerate() {
            let mut step = |to: usize, add: f64, title: Option<usize>| {
                if allowed(take, title) && cost + add < next[to] {
                    (next[to], from[to]) = (cost + add, (state, title));
                }
            };
            step(state, LEFT_OUT, None);
            for (title, own) in row.iter().enumerate().skip(state.saturating_sub(1)) {
                let skipped = title.saturating_sub(state) as f64;
                if let Some(own) = own {
                    step(title + 1, own + LEFT_OUT * skipped, Some(title));
                }
            }
        }
        total = next;
        back.push(from);
    }
    let ends = total.iter().enumerate().map(|(state, cost)| (cost + LEFT_OUT * (titles - state) as f64, state));
    let (cost, mut state) = ends.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, 0));
    let mut path = vec![None; costs.len()];
    for take in (0..costs.len()).rev() {
        let (before, title) = back[take][state];
        path[take] = title;
        state = before;
    }
    (cost, path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn costs(takes: &[f64], titles: &[f64]) -> Vec<Vec<Option<f64>>> {
        let one = |bpm: f64, marked: f64| {
            let octaves = (bpm / marked).log2().abs();
            (octaves < FAR_OCTAVES).then(|| (octaves / SOFT_OCTAVES).powi(2))
        };
        takes.iter().map(|t| titles.iter().map(|c| one(*t, *c)).collect()).collect()
    }

    #[test]
    fn takes_are_laid_along_the_titles_in_order() {
        let titles = [120.0, 160.0, 70.0];
        // A false start of the first, and the ballad twice.
        let path = cheapest(&costs(&[121.0, 118.0, 150.0, 71.0, 69.0], &titles), &|_, _| true).1;
        assert_eq!(path, [Some(0), Some(0), Some(1), Some(2), Some(2)]);
        // The middle one was not played.
        assert_eq!(cheapest(&costs(&[121.0, 70.0], &titles), &|_, _| true).1, [Some(0), Some(2)]);
        // Something else in between.
        assert_eq!(
            cheapest(&costs(&[121.0, 240.0, 158.0, 70.0], &titles), &|_, _| true).1,
            [Some(0), None, Some(1), Some(2)]
        );
    }
}
