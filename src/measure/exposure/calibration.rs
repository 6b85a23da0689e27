//! From full scale to dB(A): a constant, or readings of a sound level meter beside the recorder.

use super::meter::ExposureReading;

/// What a sound level meter showed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterReading {
    /// Middle of what it averaged, seconds from the start of the tape.
    pub at_s: f64,
    /// How long it averaged, s.
    pub over_s: f64,
    /// What it showed, dB(A).
    pub dba: f64,
    /// How far it may be off (95 %), dB.
    pub plus_minus_db: f64,
}

/// What turns a level against full scale into dB(A).
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// To be added, dB.
    pub offset_db: f64,
    /// Half of its 95 % interval, dB.
    pub half_width_db: f64,
    /// Why it should be trusted less.
    pub warnings: Vec<&'static str>,
}

/// The calibration by `readings`, else by a constant `(dB(A) of a mean square of 1, its uncertainty)`; and for every reading
/// that cannot be used, its place in the list and why.
///
/// A meter's error is mostly the same at each reading, so that several readings do not narrow the interval; where they
/// contradict each other it widens to hold them all.
pub fn calibrate(
    levels: &ExposureReading,
    readings: &[MeterReading],
    constant: Option<(f64, f64)>,
) -> (Option<Calibration>, Vec<(usize, &'static str)>) {
    let mut refused = Vec::new();
    let mut offsets = Vec::new();
    for (at, reading) in readings.iter().enumerate() {
        let (from, to) = (reading.at_s - reading.over_s / 2.0, reading.at_s + reading.over_s / 2.0);
        if from < -0.5 || to > levels.length_s() + 0.5 {
            refused.push((at, "lies outside the recording"));
            continue;
        }
        match levels.equivalent_db(from, to) {
            Some(level) => offsets.push((reading.dba - level, reading.plus_minus_db)),
            None => refused.push((at, "lies in silence of the recording")),
        }
    }
    let by_constant =
        constant.map(|(offset_db, half_width_db)| Calibration { offset_db, half_width_db, warnings: vec![] });
    (by_readings(&offsets).or(by_constant), refused)
}

fn by_readings(offsets: &[(f64, f64)]) -> Option<Calibration> {
    let weight: f64 = offsets.iter().map(|(_, pm)| pm.powi(-2)).sum();
    if offsets.is_empty() {
        return None;
    }
    let offset_db = offsets.iter().map(|(o, pm)| o * pm.powi(-2)).sum::<f64>() / weight;
    let best = offsets.iter().map(|(_, pm)| *pm).fold(f64::INFINITY, f64::min);
    let furthest = offsets.iter().map(|(o, _)| (o - offset_db).abs()).fold(0.0, f64::max);
    let contradict = offsets.iter().any(|(o, pm)| (o - offset_db).abs() > *pm);
    let warnings = if contradict { vec!["readings_disagree"] } else { Vec::new() };
    Some(Calibration { offset_db, half_width_db: best.max(furthest), warnings })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(level_db: f64) -> ExposureReading {
        ExposureReading::new(vec![10f64.powf(level_db / 10.0); 60])
    }

    fn reading(at_s: f64, dba: f64) -> MeterReading {
        MeterReading { at_s, over_s: 10.0, dba, plus_minus_db: 2.0 }
    }

    #[test]
    fn a_reading_sets_the_offset_and_its_own_uncertainty() {
        let (found, refused) = calibrate(&minute(-20.0), &[reading(30.0, 90.0)], Some((120.0, 3.0)));
        let found = found.unwrap();
        assert!((found.offset_db - 110.0).abs() < 1e-9 && found.half_width_db == 2.0 && refused.is_empty());
        let (constant, _) = calibrate(&minute(-20.0), &[], Some((120.0, 3.0)));
        assert_eq!(constant.unwrap().offset_db, 120.0);
        assert_eq!(calibrate(&minute(-20.0), &[], None).0, None);
    }

    #[test]
    fn readings_that_contradict_each_other_widen_the_interval() {
        let (found, _) = calibrate(&minute(-20.0), &[reading(20.0, 90.0), reading(40.0, 98.0)], None);
        let found = found.unwrap();
        assert!((found.offset_db - 114.0).abs() < 1e-9 && (found.half_width_db - 4.0).abs() < 1e-9);
        assert_eq!(found.warnings, ["readings_disagree"]);
    }

    #[test]
    fn a_reading_outside_the_recording_or_in_silence_is_refused() {
        let mut powers = vec![0.01; 60];
        powers[40..60].fill(0.0);
        let levels = ExposureReading::new(powers);
        let (found, refused) = calibrate(&levels, &[reading(70.0, 90.0), reading(50.0, 90.0)], None);
        assert_eq!(found, None);
        assert_eq!(refused, [(0, "lies outside the recording"), (1, "lies in silence of the recording")]);
    }
}
