//! One player (or the director) as a stream of dry blocks: notes become samples only when their time has come.

use std::sync::Arc;

use super::convolve::{BLOCK, Convolver};
use super::eq::Biquad;
use super::rng::Rng;
use super::scenario::{Instrument, Player, Scenario};
use super::score::{Hit, Note, Score};
use super::voice::drums::KitSounds;
use super::voice::wind::Section;
use super::voice::{piano, speech, strings};

/// Level that brings each voice to its usual place in a school band; measured, see the test of layer levels.
fn built_in_db(instrument: Instrument) -> f64 {
    match instrument {
        Instrument::Bass => 0.0,
        Instrument::Guitar => -5.5,
        Instrument::Piano => -7.0,
        Instrument::Drums => 1.5,
        Instrument::Trumpet | Instrument::Alto | Instrument::Tenor | Instrument::Trombone => 0.0,
    }
}

/// Brings the director to some 8 dB below the band.
const TALK_DB: f64 = 21.0;

enum Event {
    Note(Note),
    Hit(Hit),
    Talk(f64),
    Stir(f64),
}

enum Voice {
    Bass,
    Guitar,
    Piano,
    Kit(Arc<KitSounds>),
    Wind(Box<Section>),
    Director,
}

/// A player on the way to the microphones.
pub(super) struct Source {
    /// Instrument, or `None` for the director.
    pub instrument: Option<Instrument>,
    voice: Voice,
    events: Vec<(u64, Event)>,
    next: usize,
    /// Dry sound from `frame` on that has been made already.
    pending: Vec<f32>,
    frame: u64,
    gain: f32,
    eq: Vec<Biquad>,
    convolver: Convolver,
    rate_hz: f64,
    seed: u64,
}

impl Source {
    /// A player with everything written for the instrument.
    pub fn player(
        scenario: &Scenario,
        player: &Player,
        score: &Score,
        kit: &Arc<KitSounds>,
        convolver: Convolver,
    ) -> Self {
        let rate_hz = f64::from(scenario.sample_rate_hz);
        let instrument = player.instrument;
        let frame = |at_s: f64| (at_s * rate_hz).round() as u64;
        let events = if instrument == Instrument::Drums {
            score.hits.iter().map(|h| (frame(h.at_s), Event::Hit(*h))).collect()
        } else {
            let notes = score.notes.get(&instrument).map_or(&[][..], Vec::as_slice);
            notes.iter().map(|n| (frame(n.at_s), Event::Note(*n))).collect()
        };
        let voice = match instrument {
            Instrument::Bass => Voice::Bass,
            Instrument::Guitar => Voice::Guitar,
            Instrument::Piano => Voice::Piano,
            Instrument::Drums => Voice::Kit(Arc::clone(kit)),
            horn => Voice::Wind(Box::new(Section::new(horn, player.desks, rate_hz))),
        };
        Self {
            instrument: Some(instrument),
            voice,
            events,
            next: 0,
            pending: Vec::new(),
            frame: 0,
            gain: 10f64.powf((player.level_db + built_in_db(instrument)) / 20.0) as f32,
            eq: player.eq.iter().map(|e| Biquad::knob(*e, rate_hz)).collect(),
            convolver,
            rate_hz,
            seed: scenario.seed,
        }
    }

    /// The director and the noises of the room.
    pub fn director(scenario: &Scenario, score: &Score, convolver: Convolver) -> Self {
        let rate_hz = f64::from(scenario.sample_rate_hz);
        let frame = |at_s: f64| (at_s * rate_hz).round() as u64;
        let mut events: Vec<(u64, Event)> = score.talk.iter().map(|t| (frame(t.0), Event::Talk(t.1))).collect();
        events.extend(score.quiet.iter().map(|q| (frame(q.0), Event::Stir(q.1))));
        events.sort_by_key(|e| e.0);
        Self {
            instrument: None,
            voice: Voice::Director,
            events,
            next: 0,
            pending: Vec::new(),
            frame: 0,
            gain: 10f64.powf(TALK_DB / 20.0) as f32,
            eq: Vec::new(),
            convolver,
            rate_hz,
            seed: scenario.seed,
        }
    }

    /// The next `blocks` blocks at the microphones, one `Vec` a channel; `None` while silent.
    pub fn render(&mut self, blocks: usize, channels: usize) -> Option<Vec<Vec<f32>>> {
        let frames = blocks * BLOCK;
        self.sound(frames as u64);
        let have = self.pending.len().min(frames);
        let rest = self.pending.split_off(have);
        let mut dry = std::mem::replace(&mut self.pending, rest);
        dry.resize(frames, 0.0);
        let mut out = vec![vec![0f32; frames]; channels];
        let mut heard = false;
        for (k, block) in dry.chunks_mut(BLOCK).enumerate() {
            self.amplify(block);
            let range = k * BLOCK..(k + 1) * BLOCK;
            let mut slices: Vec<&mut [f32]> = out.iter_mut().map(|c| &mut c[range.clone()]).collect();
            heard |= self.convolver.push(block, &mut slices);
        }
        self.frame += frames as u64;
        heard.then_some(out)
    }

    fn amplify(&mut self, block: &mut [f32]) {
        for filter in &mut self.eq {
            if !(filter.is_still() && block.iter().all(|x| *x == 0.0)) {
                filter.run(block);
            }
        }
        for x in block {
            *x *= self.gain;
        }
    }

    /// Makes the notes that start within the next `frames`.
    fn sound(&mut self, frames: u64) {
        while let Some((at, event)) = self.events.get(self.next) {
            if *at >= self.frame + frames {
                return;
            }
            let key = self.instrument.map_or(99, |i| i as u64);
            let mut rng = Rng::keyed(self.seed, &[6, key, self.next as u64]);
            let start = (*at - self.frame) as usize;
            let fresh;
            let (samples, gain): (&[f32], f32) = match (&mut self.voice, event) {
                (Voice::Kit(kit), Event::Hit(hit)) => {
                    let (samples, gain) = kit.stroke(hit.drum, hit.velocity, &mut rng);
                    (samples, gain * hit.gain as f32)
                }
                (voice, event) => {
                    let (made, gain) = make(voice, event, self.rate_hz, &mut rng);
                    fresh = made;
                    (&fresh, gain)
                }
            };
            if self.pending.len() < start + samples.len() {
                self.pending.resize(start + samples.len(), 0.0);
            }
            for (slot, x) in self.pending[start..].iter_mut().zip(samples) {
                *slot += gain * x;
            }
            self.next += 1;
        }
    }
}

fn make(voice: &mut Voice, event: &Event, rate_hz: f64, rng: &mut Rng) -> (Vec<f32>, f32) {
    match (voice, event) {
        (Voice::Bass, Event::Note(n)) => (strings::bass(n, rate_hz, rng), n.gain as f32),
        (Voice::Guitar, Event::Note(n)) => (strings::guitar(n, rate_hz, rng), n.gain as f32),
        (Voice::Piano, Event::Note(n)) => (piano::piano(n, rate_hz, rng), n.gain as f32),
        (Voice::Wind(section), Event::Note(n)) => (section.blow(n, rng), n.gain as f32),
        (_, Event::Talk(length_s)) => (speech::talk(*length_s, rate_hz, rng), 1.0),
        (_, Event::Stir(length_s)) => (speech::stir(*length_s, rate_hz, rng), 1.0),
        // A voice is built together with its events, so no other pair exists; silence is the harmless answer.
        _ => (Vec::new(), 0.0),
    }
}
