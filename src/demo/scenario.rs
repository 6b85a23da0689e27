//! What is to be played and how, as plain data: the invented rehearsal before any sample exists.
//!
//! Conventions: cents plus = sharp against A4 = 440 Hz; milliseconds plus = late; levels in dB relative to the built-in
//! level of that instrument; positions in metres from the corner of the room (along, across, up); times in seconds.

/// A whole tape.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// File stem of the tape.
    pub name: String,
    /// Everything random follows from this number.
    pub seed: u64,
    /// Local date `yyyy-mm-dd` and time `hh:mm:ss` that the recorder writes into the file.
    pub recorded_at: Option<(String, String)>,
    /// Frames a second, 8000..=96000.
    pub sample_rate_hz: u32,
    /// The band's concert pitch, cents above A4 = 440 Hz; moves every player.
    pub concert_pitch_cents: f64,
    /// Who plays, on what, where.
    pub players: Vec<Player>,
    /// What happens, in order.
    pub items: Vec<Item>,
    /// The room and where the microphones stand.
    pub room: Room,
    /// What the recorder does to the sound.
    pub recorder: Recorder,
}

/// The instruments of the demo band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Instrument {
    /// Amplified upright bass.
    Bass,
    /// Archtop guitar through a small amplifier.
    Guitar,
    /// Upright or small grand piano.
    Piano,
    /// Drum kit.
    Drums,
    /// Trumpet section.
    Trumpet,
    /// Alto saxophones.
    Alto,
    /// Tenor saxophones.
    Tenor,
    /// Trombones.
    Trombone,
}

impl Instrument {
    /// All of them, in the order of the score.
    pub const ALL: [Self; 8] =
        [Self::Bass, Self::Guitar, Self::Piano, Self::Drums, Self::Trumpet, Self::Alto, Self::Tenor, Self::Trombone];

    /// Lower-case name as in truth files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Bass => "bass",
            Self::Guitar => "guitar",
            Self::Piano => "piano",
            Self::Drums => "drums",
            Self::Trumpet => "trumpet",
            Self::Alto => "alto",
            Self::Tenor => "tenor",
            Self::Trombone => "trombone",
        }
    }

    /// The layer that its loudness counts for: bass, drums, comping or horns.
    pub fn layer(self) -> &'static str {
        match self {
            Self::Bass => "bass",
            Self::Guitar | Self::Piano => "comping",
            Self::Drums => "drums",
            Self::Trumpet | Self::Alto | Self::Tenor | Self::Trombone => "horns",
        }
    }

    /// Sounding MIDI notes of the open strings, lowest first; empty when it has none to tune.
    pub fn open_strings(self) -> &'static [u8] {
        match self {
            Self::Bass => &[28, 33, 38, 43],
            Self::Guitar => &[40, 45, 50, 55, 59, 64],
            _ => &[],
        }
    }
}

/// One player, or one section that plays together.
#[derive(Clone, Debug)]
pub struct Player {
    /// On what.
    pub instrument: Instrument,
    /// How many sit in the section, 1 or more.
    pub desks: u8,
    /// Louder or softer than the built-in level.
    pub level_db: f64,
    /// How the instrument is in tune.
    pub tuning: Tuning,
    /// What the amplifier's knobs do, in order.
    pub eq: Vec<Eq>,
    /// Where the sound comes from.
    pub position_m: [f64; 3],
}

/// The pitch of one instrument over the tape.
#[derive(Clone, Debug, Default)]
pub struct Tuning {
    /// Offset at the start of the tape.
    pub cents: f64,
    /// Drift; plus = going sharp.
    pub cents_per_min: f64,
    /// Further offset a string, lowest first; strings not listed have none.
    pub string_cents: Vec<f64>,
    /// Standard deviation from note to note (fingers, not strings); open strings in a tuning passage have none.
    pub scatter_cents: f64,
    /// New offsets from a moment on, in time order.
    pub retunes: Vec<Retune>,
}

/// The player tuned again.
#[derive(Clone, Debug)]
pub struct Retune {
    /// When.
    pub at_s: f64,
    /// Offset from then on; drift starts anew.
    pub cents: f64,
    /// Offset a string from then on.
    pub string_cents: Vec<f64>,
}

impl Tuning {
    /// An offset that stays.
    pub fn steady(cents: f64) -> Self {
        Self { cents, ..Self::default() }
    }

    /// Offset of a string at a moment of the tape, without concert pitch and without scatter.
    pub fn cents_at(&self, at_s: f64, string: usize) -> f64 {
        let last = self.retunes.iter().rev().find(|r| r.at_s <= at_s);
        let (cents, strings, since) = match last {
            Some(r) => (r.cents, &r.string_cents, r.at_s),
            None => (self.cents, &self.string_cents, 0.0),
        };
        cents + self.cents_per_min * (at_s - since) / 60.0 + strings.get(string).copied().unwrap_or(0.0)
    }
}

/// One knob; shapes are those of the audio EQ cookbook (shelf slope S = 1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Eq {
    /// Below `hz` by `db`.
    LowShelf {
        /// Corner.
        hz: f64,
        /// Gain far below the corner.
        db: f64,
    },
    /// Above `hz` by `db`.
    HighShelf {
        /// Corner.
        hz: f64,
        /// Gain far above the corner.
        db: f64,
    },
    /// Around `hz` by `db`.
    Peak {
        /// Centre.
        hz: f64,
        /// Gain at the centre.
        db: f64,
        /// Quality.
        q: f64,
    },
}

/// One thing that happens on the tape.
#[derive(Clone, Debug)]
pub enum Item {
    /// Nobody plays or speaks; chairs and paper only.
    Quiet {
        /// How long.
        length_s: f64,
    },
    /// The director talks.
    Talk {
        /// How long.
        length_s: f64,
    },
    /// A string player goes over the open strings.
    Tuning {
        /// Who.
        instrument: Instrument,
        /// How often over all strings.
        rounds: u8,
    },
    /// A chart is played.
    Take(Take),
}

/// One playing of a chart.
#[derive(Clone, Debug)]
pub struct Take {
    /// Title of the chart; its tune follows from the title, so that every playing of a chart is the same music.
    pub title: String,
    /// Harmony.
    pub form: Form,
    /// Pitch class of the key, 0 = C.
    pub key: u8,
    /// Speed.
    pub tempo: Tempo,
    /// Long to short eighth; 1 = straight.
    pub swing_ratio: f64,
    /// What the kit does.
    pub kit: Kit,
    /// Bass after the ride cymbal, in ms; plus = late.
    pub bass_lag_ms: f64,
    /// What the guitar does.
    pub guitar: GuitarComping,
    /// True when the piano plays on nearly every eighth.
    pub piano_busy: bool,
    /// Two bars of clicks before the first note.
    pub count_off: bool,
    /// Standard deviation of onsets in ms, scaled a player; about 1 = as usual, 0 = machine.
    pub looseness: f64,
    /// Parts in order.
    pub parts: Vec<Part>,
}

/// The harmony of a chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Twelve bars of blues.
    Blues,
    /// Song form of four times eight bars, cut to four times four.
    Song,
}

/// Speed over a take.
#[derive(Clone, Debug)]
pub struct Tempo {
    /// Points (share of the take 0..=1, beats a minute), straight lines between them.
    pub points: Vec<(f64, f64)>,
    /// Standard deviation of the step of the slow wander, as a share of the tempo (0.003 = usual).
    pub wander: f64,
}

impl Tempo {
    /// One speed.
    pub fn steady(bpm: f64) -> Self {
        Self { points: vec![(0.0, bpm)], wander: 0.002 }
    }

    /// From `bpm` to `percent` more (plus = rushing) at the end.
    pub fn drifting(bpm: f64, percent: f64) -> Self {
        Self { points: vec![(0.0, bpm), (1.0, bpm * (1.0 + percent / 100.0))], wander: 0.002 }
    }

    /// Beats a minute at a share of the take, without wander.
    pub fn at(&self, share: f64) -> f64 {
        let after = self.points.iter().position(|p| p.0 > share);
        match after {
            Some(0) => self.points[0].1,
            Some(i) => {
                let ((x0, y0), (x1, y1)) = (self.points[i - 1], self.points[i]);
                y0 + (y1 - y0) * (share - x0) / (x1 - x0)
            }
            None => self.points.last().map_or(120.0, |p| p.1),
        }
    }
}

/// What the kit does.
#[derive(Clone, Copy, Debug)]
pub struct Kit {
    /// Closed hi-hat eighths, kick on 1 and 3, snare on 2 and 4, instead of the ride pattern.
    pub backbeat: bool,
    /// The foot closes the hi-hat on 2 and 4 (ride pattern only).
    pub hat_on_2_and_4: bool,
    /// How hard the kick is played, 0..=1; 0.3 is felt more than heard.
    pub kick: f64,
}

/// What the guitar does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GuitarComping {
    /// Short chords on all four beats.
    Four,
    /// A few syncopated chords a bar.
    Sparse,
}

/// A stretch of a take.
#[derive(Clone, Debug)]
pub struct Part {
    /// Name of the part.
    pub label: String,
    /// Who plays; empty = everybody in the band.
    pub players: Vec<Instrument>,
    /// What the horns play.
    pub horns: HornLine,
    /// The piano plays a solo line instead of comping.
    pub piano_solo: bool,
    /// Louder or softer in this part.
    pub level_db: Vec<(Instrument, f64)>,
    /// How many bars of the form (from its start); `None` = the whole form once.
    pub bars: Option<usize>,
}

impl Part {
    /// Everybody, once through the form.
    pub fn new(label: &str, horns: HornLine) -> Self {
        Self {
            label: label.to_owned(),
            players: Vec::new(),
            horns,
            piano_solo: false,
            level_db: Vec::new(),
            bars: None,
        }
    }

    /// The piano's chorus: no horns.
    pub fn piano_solo() -> Self {
        Self { piano_solo: true, ..Self::new("piano solo", HornLine::Tacet) }
    }

    /// Does this instrument play here?
    pub fn plays(&self, instrument: Instrument) -> bool {
        self.players.is_empty() || self.players.contains(&instrument)
    }

    /// Level of an instrument in this part, in dB.
    pub fn level_of(&self, instrument: Instrument) -> f64 {
        self.level_db.iter().filter(|l| l.0 == instrument).map(|l| l.1).sum()
    }
}

/// What the horns play in a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HornLine {
    /// Nothing.
    Tacet,
    /// The tune, in unison and octaves.
    Melody,
    /// Long soft chords.
    Backing,
    /// Loud block chords.
    Shout,
}

/// A shoebox room and the microphones in it.
#[derive(Clone, Debug)]
pub struct Room {
    /// Length, width, height.
    pub size_m: [f64; 3],
    /// Reverberation time at mid frequencies.
    pub rt60_s: f64,
    /// Where the recorder stands.
    pub microphone_m: [f64; 3],
    /// A crossed pair (two channels) instead of one round microphone (one channel).
    pub stereo: bool,
    /// Where the director stands.
    pub director_m: [f64; 3],
}

/// What the recorder does to the sound.
#[derive(Clone, Debug)]
pub struct Recorder {
    /// Highest sample after the level is set.
    pub peak_dbfs: f64,
    /// Level of its own noise (power of each channel); `None` = no noise.
    pub noise_dbfs: Option<f64>,
    /// Corner of its low cut (second order).
    pub low_cut_hz: Option<f64>,
    /// Mains hum (fundamental level in dBFS peak, frequency).
    pub hum: Option<(f64, f64)>,
    /// It turns its own level up and down.
    pub gain_riding: bool,
    /// Turned up too far by this much, so that peaks are cut off.
    pub overdrive_db: f64,
    /// Dithered to this many bits (16 or 24); `None` = left as float.
    pub bits: Option<u8>,
}
