//! Fitted numbers of the chart recognition; made by `benches/charts_fit/fit.py`, not by hand.

/// Of each Fourier component, how chords and bass are mixed: complex factors.
pub const MIXTURES: [[(f64, f64); 2]; 7] = [
    [(0.35845, 0.0), (0.07340, 0.0)],
    [(0.34814, 0.0), (-0.01338, 0.67795)],
    [(0.84882, 0.0), (-0.02426, 0.30959)],
    [(0.85848, 0.0), (-0.00774, 0.04817)],
    [(1.0, 0.0), (0.08589, 0.08058)],
    [(0.86158, 0.0), (0.09828, 0.02516)],
    [(0.76212, 0.0), (0.23767, 0.0)],
];

/// Logistic regression of the odds that two takes are one chart.
pub struct Odds {
    /// Added to all.
    pub constant: f64,
    /// Of the correlation along the way and that of its worst stretch together.
    pub correlation: f64,
    /// Of the correlation of the profiles.
    pub profile: f64,
    /// Of the square of the distance in tempo, octaves.
    pub tempo: f64,
    /// Of the jumps in eight bars.
    pub jumps: f64,
}

/// The fitted odds.
pub const ODDS: Odds = Odds { constant: -19.174, correlation: 16.698, profile: 0.419, tempo: -4.572, jumps: -0.890 };
