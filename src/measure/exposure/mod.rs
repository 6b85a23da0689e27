//! Noise exposure of a rehearsal whose recording has a calibration.
//!
//! Conventions: A-weighted levels of the mono mix, second by second, against an A-weighted mean square of 1.0 (full scale);
//! the calibration turns them into dB(A). The dose is that of the whole session: the recording stands for it.
//! Limits: not a sound level meter. The place of the recorder is not the place of an ear; a recorder that rides its gain or
//! overloads has no calibration. Steps of a second stand for the Slow response that OSHA asks for.

mod calibration;
pub mod formulas;
mod meter;

pub use calibration::{Calibration, MeterReading, calibrate};
pub use meter::{ExposureMeter, ExposureReading, STEP_S};

use crate::stats::Measured;
use formulas::{NIOSH, OSHA, lex_8h_dba};

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "exposure-1";

/// The OSHA dose counts levels from here on where nothing else is said, dB(A): the hearing-conservation part of the rule.
pub const OSHA_THRESHOLD_DBA: f64 = 80.0;

/// The caution that goes with every number of this family.
pub const CAUTION: &str = "Not a sound level meter and no substitute for one. Follow local regulations and a qualified \
                           hearing-conservation professional.";

/// Exposure of a session.
#[derive(Clone, Debug, PartialEq)]
pub struct Exposure {
    /// Equivalent level of the recording, dB(A).
    pub leq_dba: Measured,
    /// NIOSH dose of the session, percent.
    pub niosh_dose_percent: Measured,
    /// OSHA dose of the session, percent.
    pub osha_dose_percent: Measured,
    /// Daily exposure level if the session is all that the day brings, dB(A).
    pub lex_8h_dba: Measured,
    /// Length of the session that the doses are for, hours.
    pub session_hours: f64,
    /// Levels under this do not count in the OSHA dose, dB(A).
    pub osha_threshold_dba: f64,
}

/// How long and by which threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Session {
    /// Hours of such sound; `None` for the recording's own length.
    pub hours: Option<f64>,
    /// Threshold of the OSHA dose, dB(A).
    pub osha_threshold_dba: f64,
}

impl Exposure {
    /// Nothing, and why.
    pub fn absent(reason: &str, session: Session) -> Self {
        let no = || Measured::absent(reason);
        Self {
            leq_dba: no(),
            niosh_dose_percent: no(),
            osha_dose_percent: no(),
            lex_8h_dba: no(),
            session_hours: session.hours.unwrap_or(0.0),
            osha_threshold_dba: session.osha_threshold_dba,
        }
    }
}

/// How loud the session was for an ear at the recorder's place, and what share of a day's sound it was.
///
/// # Input
/// The A-weighted levels of the recording, its calibration, and the session.
///
/// # Output
/// `leq_dba` over the whole recording, talk and silence included; doses and LEX,8h scaled to the session's hours. Interval: the
/// calibration's (95 %). n = seconds.
///
/// # Not measurable
/// `silence` where nothing sounds.
///
/// # Method and source
/// Leq: IEC 61672-1 A-weighting, mean square over time. Doses: [`formulas`]. The NIOSH dose counts every level.
pub fn measure_exposure(reading: &ExposureReading, calibration: &Calibration, session: Session) -> Exposure {
    let levels = reading.levels_db();
    let own_hours = levels.len() as f64 * STEP_S / 3600.0;
    let hours = session.hours.unwrap_or(own_hours);
    let Some(leq) = reading.equivalent_db(0.0, f64::INFINITY) else {
        return Exposure::absent("silence", session);
    };
    let step_hours = hours / levels.len() as f64;
    let at = |offset_db: f64| {
        let stretches = || levels.iter().flatten().map(|l| (l + offset_db, step_hours));
        let niosh = NIOSH.dose_percent(stretches(), None);
        (niosh, OSHA.dose_percent(stretches(), Some(session.osha_threshold_dba)))
    };
    let (k, half, n) = (calibration.offset_db, calibration.half_width_db, levels.len() as u64);
    let (low, mid, high) = (at(k - half), at(k), at(k + half));
    let level = |db: f64| Measured::symmetric(db, half, n);
    let mut exposure = Exposure {
        leq_dba: level(leq + k),
        niosh_dose_percent: Measured::new(mid.0, low.0, high.0, n),
        osha_dose_percent: Measured::new(mid.1, low.1, high.1, n),
        lex_8h_dba: lex_8h_dba([(leq + k, hours)]).map_or(Measured::absent("silence"), level),
        session_hours: hours,
        osha_threshold_dba: session.osha_threshold_dba,
    };
    for warning in &calibration.warnings {
        let all = [&mut exposure.leq_dba, &mut exposure.niosh_dose_percent, &mut exposure.osha_dose_percent];
        all.into_iter().chain([&mut exposure.lex_8h_dba]).for_each(|m| m.warnings.push((*warning).to_owned()));
    }
    exposure
}
