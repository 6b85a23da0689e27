//! What of a close recording is that player's own sound: leakage of the others taken out, cell by cell of time and frequency.
//!
//! Conventions: recordings in order, the room's first; each is first brought to the same loudness over the takes, so that a
//! recorder's own gain does not count. Method: a cell belongs to the recording in which it is loudest; shares are the squared powers
//! against the sum of all, powers smoothed over three frames and three bins. The room counts with [`ROOM_WEIGHT`]: what
//! dominates there and in none of the close recordings is somebody without one.
//! Source of the idea: interference between close microphones falls where another microphone is nearer (Praetzlich, Bittner,
//! Liutkus and Mueller, Kernel additive modeling for interference reduction in multi-channel music recordings, ICASSP 2015; from
//! memory); the rule here is simpler.
//! Limits: where two players sound in one cell, the softer one's share there is lost.

use realfft::num_complex::Complex32;

/// Frames over which powers are smoothed; the answer comes one frame late.
const FRAMES: usize = 3;
/// What the room counts against a close recording, in squared powers.
const ROOM_WEIGHT: f32 = 0.1;
/// Keeps silence finite: 120 dB under the mean power of a recording's bin, squared below.
const FLOOR: f32 = 1e-12;

/// One close recording in a frame.
pub struct Own {
    /// As recorded.
    pub whole: Vec<Complex32>,
    /// The player's own sound: what was recorded times its share.
    pub own: Vec<Complex32>,
    /// Share of the player, bin by bin.
    pub share: Vec<f32>,
}

/// Turns frames of all recordings into what of the close ones is their players' own.
pub struct Dominance {
    /// One over the mean power of each recording's spectrum.
    scales: Vec<f32>,
    /// Smoothed powers of the last frames, `[frame][recording][bin]`.
    powers: Vec<Vec<Vec<f32>>>,
    /// Spectra of the close recordings one frame ago.
    before: Vec<Vec<Complex32>>,
}

impl Dominance {
    /// `mean_powers`: of each recording over the takes, the room's first.
    pub fn new(mean_powers: &[f64]) -> Self {
        let scale = |p: &f64| if *p > 0.0 { (1.0 / p) as f32 } else { 0.0 };
        Self { scales: mean_powers.iter().map(scale).collect(), powers: Vec::new(), before: Vec::new() }
    }

    /// Takes the frame of every recording; gives the frame before, one for each close recording, or nothing for the first.
    pub fn frame(&mut self, spectra: &[Vec<Complex32>]) -> Option<Vec<Own>> {
        let powers = spectra.iter().zip(&self.scales).map(|(s, scale)| smoothed(s, *scale)).collect();
        self.powers.push(powers);
        let close: Vec<Vec<Complex32>> = spectra.iter().skip(1).cloned().collect();
        let before = std::mem::replace(&mut self.before, close);
        if before.is_empty() {
            return None;
        }
        let as_recorded = |whole: Vec<Complex32>| Own { share: vec![0.0; whole.len()], own: whole.clone(), whole };
        let mut own: Vec<Own> = before.into_iter().map(as_recorded).collect();
        let bins = own.first().map_or(0, |o| o.share.len());
        let mut squares = vec![0.0f32; spectra.len()];
        for bin in 0..bins {
            for (recording, square) in squares.iter_mut().enumerate() {
                let mean = self.powers.iter().map(|f| f[recording][bin]).sum::<f32>() / self.powers.len() as f32;
                *square = (mean + FLOOR).powi(2);
            }
            let all = ROOM_WEIGHT * squares[0] + squares[1..].iter().sum::<f32>();
            for (frame, square) in own.iter_mut().zip(&squares[1..]) {
                frame.share[bin] = square / all;
                frame.own[bin] *= frame.share[bin];
            }
        }
        if self.powers.len() == FRAMES {
            self.powers.remove(0);
        }
        Some(own)
    }
}

/// Powers of a spectrum times `scale`, each the mean of three neighbours.
fn smoothed(spectrum: &[Complex32], scale: f32) -> Vec<f32> {
    let power: Vec<f32> = spectrum.iter().map(|x| x.norm_sqr() * scale).collect();
    let at = |i: usize| power[i.min(power.len() - 1)];
    (0..power.len()).map(|i| (at(i.saturating_sub(1)) + at(i) + at(i + 1)) / 3.0).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_louder_elsewhere_is_taken_out_whatever_the_gain_of_the_recorders() {
        // Bin 2 is the first player's, 16 dB down in the second recording; bin 6 the other way round.
        let spectrum = |own: usize, other: usize, gain: f32| {
            let mut s = vec![Complex32::default(); 9];
            s[own].re = gain;
            s[other].re = 0.16 * gain;
            s
        };
        let mean = |gain: f64| gain * gain * 1.0256;
        let mut dominance = Dominance::new(&[2.0, mean(0.1), mean(30.0)]);
        let frames = [spectrum(2, 6, 1.4), spectrum(2, 6, 0.1), spectrum(6, 2, 30.0)];
        assert!(dominance.frame(&frames).is_none());
        for _ in 0..4 {
            let own = dominance.frame(&frames).unwrap();
            assert!(own[0].own[2].re > 0.085 && own[0].own[6].re < 0.0002, "{:?}", own[0].own);
            assert!(own[1].own[6].re > 26.0 && own[1].own[2].re < 0.05, "{:?}", own[1].own);
        }
    }
}
