//! Levels in a byte, as the meters keep them along a tape.
//!
//! Conventions: half decibels from [`FLOOR_DBFS`] up; mean square, full scale = 1.

/// The lowest level that a code holds, dBFS; digital silence reads this.
pub const FLOOR_DBFS: f64 = -120.0;
/// Steps of a decibel.
const STEPS_A_DB: f32 = 2.0;

/// The code of a power.
pub fn code_of(power: f32) -> u8 {
    let db = 10.0 * power.max(1e-12).log10();
    ((db - FLOOR_DBFS as f32) * STEPS_A_DB).round().clamp(0.0, 255.0) as u8
}

/// The level that a code stands for, dBFS.
pub fn level_dbfs(code: u8) -> f64 {
    f64::from(code) / f64::from(STEPS_A_DB) + FLOOR_DBFS
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_comes_back_within_a_quarter_of_a_decibel_and_what_is_out_of_range_at_its_ends() {
        for tenths in -1190..70 {
            let db = f64::from(tenths) / 10.0;
            let back = level_dbfs(code_of(10f64.powf(db / 10.0) as f32));
            assert!((back - db).abs() < 0.251, "{back} for {db}");
        }
        assert_eq!([0.0, f32::INFINITY].map(code_of), [0, 255]);
        assert_eq!(level_dbfs(0), FLOOR_DBFS);
    }
}
