//! What a scenario holds when nothing is said: the usual room, recorder, chairs and take.

use super::scenario::{
    Form, GuitarComping, HornLine, Instrument, Kit, Part, Player, Recorder, Room, Scenario, Take, Tempo, Tuning,
};

impl Default for Recorder {
    fn default() -> Self {
        Self {
            peak_dbfs: -3.0,
            noise_dbfs: Some(-66.0),
            low_cut_hz: None,
            hum: None,
            gain_riding: false,
            overdrive_db: 0.0,
            bits: Some(16),
        }
    }
}

impl Default for Room {
    fn default() -> Self {
        Self {
            size_m: [12.0, 9.0, 3.8],
            rt60_s: 0.6,
            microphone_m: [2.6, 4.5, 1.5],
            stereo: true,
            director_m: [3.6, 5.1, 1.6],
        }
    }
}

impl Default for Take {
    fn default() -> Self {
        Self {
            title: String::new(),
            form: Form::Blues,
            key: 10,
            tempo: Tempo::steady(140.0),
            swing_ratio: 2.0,
            kit: Kit { backbeat: false, hat_on_2_and_4: true, kick: 0.3 },
            bass_lag_ms: 0.0,
            guitar: GuitarComping::Four,
            piano_busy: false,
            count_off: true,
            looseness: 1.0,
            parts: vec![Part::new("head", HornLine::Melody)],
        }
    }
}

impl Scenario {
    /// A full school band in tune, nothing to play yet.
    pub fn school_band(name: &str, seed: u64) -> Self {
        Self {
            name: name.to_owned(),
            seed,
            recorded_at: None,
            sample_rate_hz: 44_100,
            concert_pitch_cents: 0.0,
            players: Instrument::ALL.into_iter().map(Player::usual).collect(),
            items: Vec::new(),
            room: Room::default(),
            recorder: Recorder::default(),
        }
    }

    /// The player on an instrument, to change.
    pub fn player_mut(&mut self, instrument: Instrument) -> Option<&mut Player> {
        self.players.iter_mut().find(|p| p.instrument == instrument)
    }

    /// The same band without the instruments that are not listed.
    pub fn only(mut self, instruments: &[Instrument]) -> Self {
        self.players.retain(|p| instruments.contains(&p.instrument));
        self
    }
}

impl Player {
    /// An instrument in its usual chair.
    pub fn usual(instrument: Instrument) -> Self {
        let (desks, position_m, scatter_cents) = match instrument {
            Instrument::Bass => (1, [5.6, 2.6, 0.7], 1.5),
            Instrument::Guitar => (1, [4.6, 2.4, 0.6], 0.7),
            Instrument::Piano => (1, [4.2, 1.6, 1.0], 0.0),
            Instrument::Drums => (1, [6.2, 3.6, 0.9], 0.0),
            Instrument::Trumpet => (3, [7.4, 5.6, 1.4], 2.5),
            Instrument::Alto => (2, [5.0, 5.2, 0.9], 2.5),
            Instrument::Tenor => (2, [5.0, 6.6, 0.9], 2.5),
            Instrument::Trombone => (2, [6.2, 6.0, 1.1], 2.5),
        };
        let tuning = Tuning { scatter_cents, ..Tuning::default() };
        Self { instrument, desks, level_db: 0.0, tuning, eq: Vec::new(), position_m }
    }
}
