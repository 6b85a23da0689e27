//! Onsets of a whole tape as curves in three bands, for comparing it with another recording.

use super::features::{BANDS, LEVEL_STEP_DB, TimeFeatures};

/// Bands of the features in each curve: low, middle, high.
const GROUPS: [std::ops::Range<usize>; 3] = [0..3, 3..6, 6..8];
/// Frames over which a rise is taken.
const LAG: usize = 3;
/// A rise that noise makes, dB.
const NOISE_DB: f32 = 1.5;
/// A rise counts as no larger than this, dB.
const MOST_DB: f32 = 15.0;
/// Above the tape's floor by this much a rise counts in full, dB.
const FULL_DB: f32 = 20.0;
/// Share of the frames under the floor.
const FLOOR_SHARE: f64 = 0.1;

impl TimeFeatures {
    /// Rises of level over 15 ms in three bands, one value a frame; what noise makes of silence is left out.
    pub fn onset_curves(&self) -> Vec<Vec<f32>> {
        let features = self.view();
        let floors = features.floors();
        let mut curves = vec![vec![0.0f32; self.len()]; GROUPS.len()];
        for at in LAG..self.len() {
            let (Some(now), Some(before)) = (features.frames.get(at), features.frames.get(at - LAG)) else { continue };
            for (curve, group) in curves.iter_mut().zip(&GROUPS) {
                let rise = |band: usize| {
                    let db = (f32::from(now[band]) - f32::from(before[band])) * LEVEL_STEP_DB as f32 - NOISE_DB;
                    let above = (f32::from(now[band]) - floors[band]) * LEVEL_STEP_DB as f32 / FULL_DB;
                    db.clamp(0.0, MOST_DB) * above.clamp(0.0, 1.0)
                };
                curve[at] = group.clone().map(rise).sum::<f32>().sqrt();
            }
        }
        curves
    }

    /// The level of each band under which only a tenth of the tape lies.
    fn floors(&self) -> [f32; BANDS] {
        std::array::from_fn(|band| {
            let mut counts = [0usize; 256];
            self.frames.range(0..self.len()).for_each(|row| counts[usize::from(row[band])] += 1);
            let wanted = (self.len() as f64 * FLOOR_SHARE) as usize;
            let mut sum = 0;
            let found = counts.iter().position(|n| {
                sum += n;
                sum > wanted
            });
            found.unwrap_or(0) as f32
        })
    }
}
