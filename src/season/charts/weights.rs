//! Fitted numbers of the chart recognition; made by `benches/charts_fit/fit.py`, not by hand.

/// Of each Fourier component, how chords and bass are mixed: complex factors.
pub const MIXTURES: [[(f64, f64); 2]; 7] = [
    [(0.36750, 0.0), (0.04269, 0.0)],
    [(0.36345, 0.0), (-0.08354, 0.66609)],
    [(0.84531, 0.0), (-0.01823, 0.30666)],
    [(0.85415, 0.0), (-0.00741, 0.05417)],
    [(1.0, 0.0), (0.09019, 0.07626)],
    [(0.86557, 0.0), (0.09787, 0.02751)],
    [(0.75998, 0.0), (0.24279, 0.0)],
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
pub const ODDS: Odds = Odds { constant: -14.248, correlation: 12.730, profile: 0.230, tempo: -8.953, jumps: -1.811 };
