//! The layers and the parts in the words of the report.

use super::beside::Beside;
use super::compose_sheet::{SheetTakes, chart_of, left_out, of_take, wanted};
use crate::findings::PartInput;
use crate::health::Health;
use crate::measure::close::{Voice, agrees_with_mix};
use crate::measure::forms::BarSounds;
use crate::measure::layers::{
    self, BarGrid, Hits, LAYERS, Layer, LayerPowers, LayerReading, find_parts, music_starts_at, place_parts,
};
use crate::measure::loudness::LoudnessReading;
use crate::measure::time::TakeTime;
use crate::measure::tuning::{BeatClasses, Harmony};
use crate::report::{CrowdedBar, LayerCurves, LayerLevels, PartFacts, PartSource};
use crate::sheet::{Chart, TapeSheet};
use crate::stats::Measured;
use crate::tape::Mark;

/// A low cut above this takes much of the bass away, Hz: the second partial of its lowest open string.
const LOW_CUT_TAKES_BASS_HZ: f64 = 82.0;
/// Reason and warning of an overloaded recording.
const CLIPPED: &str = "clipped";
/// More clipped frames than this are overload, percent.
const CLIPPED_PERCENT: f64 = 0.001;
/// A low cut above this takes the body of the kick drum away, Hz: drums of 76 rendered parts under such a cut were told 2.2 dB too soft in
/// the middle and 7.9 at worst, of 46 under one between it and the one before 1.1 and 3.5.
const LOW_CUT_TAKES_KICK_HZ: f64 = 105.0;
/// What a low cut at 100 Hz may have taken from the drums' own level, dB, growing with the cube of its frequency: of 133 parts told under
/// one from 65 to 105 Hz the truth lies inside on 130 so, and on 90 without.
const KICK_LOST_AT_100_HZ_DB: f64 = 2.2;
/// Reason of a recording that touches full scale without a rail that shows.
const FULL_SCALE: &str = "reaches_full_scale";
/// Reason and warning of a bass, or of drums, whose lowest part the recorder does not hear.
const LOW_CUT: &str = "low_cut_inside_low_end";
/// Marks nearer to each other or to the take's ends than this make no part of their own, seconds.
const MARK_APART_S: f64 = 1.0;

/// The layers of a tape, and the parts of its takes.
pub struct TapeLayers {
    powers: LayerPowers,
    takes: Vec<(f64, f64)>,
    parts: Vec<Vec<Part>>,
    /// Bars after which the changes of each take return.
    form_bars: Vec<Measured>,
    /// Hits of guitar and keys in each take, or why they cannot be told.
    hits: Vec<Result<Hits, String>>,
    /// Why no layer's own level can be stated, if so: neither riding nor overload lets through what came to the microphone.
    /// How the layers stand against the band remains, with a warning.
    distrusted: Option<&'static str>,
    /// Overload of any extent: its distortion counts as somebody's sound.
    clipped: bool,
    /// Where the recorder stops hearing bass, if it does.
    low_cut_hz: Option<f64>,
}

/// Layers and the players whose recordings together make them, in the order of the report.
const CLOSE_LAYERS: [(Layer, &[Voice]); 3] =
    [(Layer::Bass, &[Voice::Bass]), (Layer::Drums, &[Voice::Drums]), (Layer::Comping, &[Voice::Guitar, Voice::Piano])];

struct Part {
    label: String,
    source: PartSource,
    start_s: f64,
    end_s: f64,
    /// Label of the first part over the same changes.
    same_form_as: Option<String>,
    /// Levels by recordings close to the players, where there are any.
    close: [Option<Measured>; LAYERS.len()],
}

impl Part {
    fn new(label: String, source: PartSource, (start_s, end_s): (f64, f64)) -> Self {
        Self { label, source, start_s, end_s, same_form_as: None, close: NONE_CLOSE }
    }
}

/// Puts shares and power together.
pub fn layer_powers(reading: &LayerReading, loudness: &LoudnessReading) -> LayerPowers {
    let (step_powers, step_s) = loudness.powers();
    reading.with_power(&step_powers, step_s)
}

/// Cuts the takes, and asks who is heard how loud.
pub fn measure_layers(
    (reading, powers): (&LayerReading, LayerPowers),
    health: &Health,
    takes: &[(f64, f64)],
    (sheet, of_sheet): (Option<&TapeSheet>, &mut SheetTakes),
    (marks, harmony): (&[Mark], &[Harmony]),
) -> TapeLayers {
    let SheetTakes { time, named, problems } = of_sheet;
    let (mut all_parts, mut form_bars, mut hits) = (Vec::new(), Vec::new(), Vec::new());
    for (at, (take, time)) in takes.iter().zip(&*time).enumerate() {
        let sounds = sounds(&powers, *take, time, harmony.get(at));
        let form = sounds.form_bars();
        let chart = chart_of(sheet, named[at].as_ref()).filter(|c| !c.part.is_empty());
        let (placed, said) = chart.map(|c| of_chart(&powers, *take, time, c)).unwrap_or_default();
        problems.extend(said.iter().map(|problem| of_take(at, named[at].as_ref(), problem)));
        let mut parts = if placed.is_empty() { parts(&powers, *take, time, form.value, marks) } else { placed };
        name_forms(&mut parts, &sounds);
        all_parts.push(parts);
        form_bars.push(form);
        hits.push(comping_hits(reading, &powers, *take));
    }
    for (hits, time) in hits.iter().zip(time) {
        let per_bar = hits.as_ref().map_or_else(|why| Measured::absent(why), |hits| hits.per_bar(time.bars()));
        time.feel.hear_comping(&per_bar);
    }
    let low_cut_hz = health.low_cut_hz.value;
    let clipped = health.clipped_percent.value.is_some_and(|percent| percent > CLIPPED_PERCENT);
    let distrusted = distrust(health.loudness_over_time.ok, health.gain_riding.value, clipped)
        .or(health.reaches_full_scale.then_some(FULL_SCALE));
    TapeLayers { powers, takes: takes.to_vec(), parts: all_parts, form_bars, hits, distrusted, clipped, low_cut_hz }
}

/// Hits of guitar and keys in a take, or why they cannot be told.
fn comping_hits(reading: &LayerReading, powers: &LayerPowers, (start_s, end_s): (f64, f64)) -> Result<Hits, String> {
    match &powers.levels(start_s, end_s).lufs[Layer::Comping as usize].reason {
        Some(why) => Err(why.clone()),
        None => Ok(reading.hits(start_s, end_s)),
    }
}

/// Why no layer's own level can be stated, if so.
fn distrust(over_time: bool, riding: Option<bool>, clipped: bool) -> Option<&'static str> {
    match (over_time && !clipped, riding) {
        (true, _) => None,
        (false, Some(true)) => Some("gain_riding"),
        (false, _) => Some(CLIPPED),
    }
}

/// Parts as the sheet tells them, and what of them was left out, in words.
fn of_chart(powers: &LayerPowers, take: (f64, f64), time: &TakeTime, chart: &Chart) -> (Vec<Part>, Vec<String>) {
    let (labels, wanted): (Vec<_>, Vec<_>) = wanted(chart).into_iter().unzip();
    let placed = place_parts(powers, take, &bar_starts(time), &time.without_beat, &wanted);
    let (mut parts, mut said) = (Vec::new(), Vec::new());
    for (label, placed) in labels.into_iter().zip(placed) {
        match placed {
            Ok(found) => {
                if found.cut_short {
                    said.push(format!("part \"{label}\" lasts longer than the take; it ends with it"));
                }
                let layers::FoundPart { start_s, end_s } = found.span;
                parts.push(Part::new(label, PartSource::Sheet, (start_s, end_s)));
            }
            Err(why) => said.push(left_out(&label, why)),
        }
    }
    (parts, said)
}

/// What sounds in the bars of a take, from its first bar of music on.
fn sounds(powers: &LayerPowers, take: (f64, f64), time: &TakeTime, harmony: Option<&Harmony>) -> BarSounds {
    let beats: Vec<_> = harmony.map(|h| h.beats.iter().map(BeatClasses::joined).collect()).unwrap_or_default();
    let music_s = music_starts_at(powers, take, &bar_starts(time));
    BarSounds::new(&time.tempo.beat_times_s, &time.tempo.beat_in_bar, &beats, music_s)
}

/// Tells each part which earlier one has the same changes.
fn name_forms(parts: &mut [Part], sounds: &BarSounds) {
    let spans: Vec<(f64, f64)> = parts.iter().map(|p| (p.start_s, p.end_s)).collect();
    for (at, first) in sounds.first_alike(&spans).into_iter().enumerate() {
        parts[at].same_form_as = first.map(|first| parts[first].label.clone());
    }
}

fn bar_starts(time: &TakeTime) -> Vec<f64> {
    let beats = time.tempo.beat_times_s.iter().zip(&time.tempo.beat_in_bar);
    beats.filter(|(_, place)| **place == 1).map(|(at, _)| *at).collect()
}

/// Parts by the recorder's marks where it set any inside the take, else found.
fn parts(
    powers: &LayerPowers,
    (start_s, end_s): (f64, f64),
    time: &TakeTime,
    form_bars: Option<f64>,
    marks: &[Mark],
) -> Vec<Part> {
    let inside: Vec<&Mark> =
        marks.iter().filter(|m| m.at_s >= start_s - MARK_APART_S && m.at_s < end_s - MARK_APART_S).collect();
    if !inside.is_empty() {
        return marked(start_s, end_s, &inside);
    }
    let grid = BarGrid { starts_s: &bar_starts(time), form_bars: form_bars.map(|bars| bars as usize) };
    find_parts(powers, start_s, end_s, grid)
        .into_iter()
        .zip(1..)
        .map(|(p, number)| Part::new(number.to_string(), PartSource::Found, (p.start_s, p.end_s)))
        .collect()
}

fn marked(start_s: f64, end_s: f64, marks: &[&Mark]) -> Vec<Part> {
    let mut edges: Vec<(f64, String)> = Vec::new();
    if marks[0].at_s > start_s + MARK_APART_S {
        edges.push((start_s, "start".to_owned()));
    }
    for (number, mark) in (1..).zip(marks) {
        let label = if mark.label.is_empty() { format!("{number}") } else { mark.label.clone() };
        match edges.last_mut() {
            Some(last) if mark.at_s - last.0 < MARK_APART_S => last.1 = label,
            _ => edges.push((mark.at_s.max(start_s), label)),
        }
    }
    let ends: Vec<f64> = edges.iter().skip(1).map(|e| e.0).chain([end_s]).collect();
    let part = |((start_s, label), end_s)| Part::new(label, PartSource::Marks, (start_s, end_s));
    edges.into_iter().zip(ends).map(part).collect()
}

/// No recording close to anybody.
const NONE_CLOSE: [Option<Measured>; LAYERS.len()] = [const { None }; LAYERS.len()];

impl TapeLayers {
    /// Takes the levels that recordings close to the players tell.
    pub fn hear_close(&mut self, beside: &Beside, loudness: &LoudnessReading) {
        for (take, parts) in self.parts.iter_mut().enumerate() {
            let whole = loudness.energy(self.takes[take].0, self.takes[take].1);
            for part in parts {
                let span = (part.start_s, part.end_s);
                let mix = self.powers.levels(span.0, span.1);
                let Some(band) = mix.whole_lufs else { continue };
                for (layer, voices) in CLOSE_LAYERS {
                    let level = beside.reading.lufs(take, voices, span, (whole, band), &beside.lines);
                    part.close[layer as usize] =
                        Some(level).filter(|m| m.value.is_some() && agrees_with_mix(m, &mix.lufs[layer as usize]));
                }
            }
        }
    }

    /// Levels of a part, in LUFS and against the band; none that is too uncertain.
    fn part_levels(&self, part: &Part) -> layers::LayerLevels {
        let mut levels = self.powers.levels(part.start_s, part.end_s);
        let band = levels.whole_lufs;
        for (at, close) in part.close.iter().enumerate() {
            let Some(close) = close else { continue };
            levels.lufs[at] = close.clone();
            levels.re_band_lu[at] = match band {
                Some(band) => super::company::moved(close.clone(), -band),
                None => Measured::absent("silence"),
            };
        }
        levels.without_uncertain()
    }

    /// The parts of a take.
    pub fn part_facts(&self, take: usize, loudness: &LoudnessReading) -> Vec<PartFacts> {
        let parts = self.parts.get(take).map_or(&[][..], Vec::as_slice);
        parts.iter().map(|part| self.facts(part, loudness)).collect()
    }

    /// Bars of take number `take` with more than `most` hits of guitar and keys, beyond the error of a bar.
    pub fn crowded_bars(&self, take: usize, time: &TakeTime, most: f64) -> Vec<CrowdedBar> {
        let Some(Ok(hits)) = self.hits.get(take) else { return Vec::new() };
        let bars = hits.crowded(&time.bar_spans(), most);
        bars.into_iter().map(|(bar, start_s, end_s, hits)| CrowdedBar { bar, start_s, end_s, hits }).collect()
    }

    /// Bars after which the changes of a take return.
    pub fn form_bars(&self, take: usize) -> Option<Measured> {
        self.form_bars.get(take).cloned()
    }

    /// The parts of a take as the rules of the findings see them.
    pub fn part_inputs(&self, take: usize) -> Vec<PartInput> {
        let input = |part: &Part| {
            let re_band = self.part_levels(part).re_band_lu;
            let LayerLevels { bass, drums, comping, horns } = self.levels(re_band);
            let layers_re_band_lu = [bass, drums, comping, horns];
            PartInput { label: part.label.clone(), start_s: part.start_s, end_s: part.end_s, layers_re_band_lu }
        };
        self.parts.get(take).map(|parts| parts.iter().map(input).collect()).unwrap_or_default()
    }

    /// Start and end of every part of every take, seconds.
    pub fn part_spans(&self) -> Vec<Vec<(f64, f64)>> {
        self.parts.iter().map(|parts| parts.iter().map(|p| (p.start_s, p.end_s)).collect()).collect()
    }

    fn facts(&self, part: &Part, loudness: &LoudnessReading) -> PartFacts {
        let layers::LayerLevels { mut lufs, re_band_lu, .. } = self.part_levels(part);
        for (layer, own) in lufs.iter_mut().enumerate() {
            if let (Some(reason), true) = (self.disbelief(layer), own.value.is_some()) {
                *own = Measured::absent(reason);
            }
        }
        let drums = &mut lufs[Layer::Drums as usize];
        drums.high = drums.high.map(|high| high + self.kick_lost_db());
        // Full scale, touched here and there, leaves the layers as they stand against each other.
        let warned = |m: Measured| match self.distrusted {
            Some(reason) if m.value.is_some() && reason != FULL_SCALE && !(reason == CLIPPED && self.clipped) => {
                m.with_warning(reason)
            }
            _ => m,
        };
        PartFacts {
            label: part.label.clone(),
            source: part.source,
            start_s: part.start_s,
            end_s: part.end_s,
            same_form_as: part.same_form_as.clone(),
            loudness_lufs: loudness.integrated_lufs(part.start_s, part.end_s),
            low_end_excess_db: None,
            layers_lufs: self.levels(lufs),
            layers_re_band_lu: Some(self.levels(re_band_lu.map(warned))),
            layers_from_close: from_close(part),
            time: None,
        }
    }

    fn levels(&self, levels: [Measured; LAYERS.len()]) -> LayerLevels {
        let overloaded = |m: Measured| if self.clipped && m.value.is_some() { m.with_warning(CLIPPED) } else { m };
        let [bass, drums, comping, horns] = levels.map(overloaded);
        let cut = |m: Measured| {
            if self.cuts_above(LOW_CUT_TAKES_BASS_HZ) && m.value.is_some() { m.with_warning(LOW_CUT) } else { m }
        };
        let [bass, drums] = [bass, drums].map(cut);
        LayerLevels { bass, drums, comping, horns }
    }

    /// Why the level of a layer by itself cannot be stated, if so.
    fn disbelief(&self, layer: usize) -> Option<&'static str> {
        let limits = [(Layer::Bass, LOW_CUT_TAKES_BASS_HZ), (Layer::Drums, LOW_CUT_TAKES_KICK_HZ)];
        let taken = limits.into_iter().any(|(of, hz)| of as usize == layer && self.cuts_above(hz));
        self.distrusted.or(taken.then_some(LOW_CUT))
    }

    /// By how much drums may have been louder than the recording shows, dB.
    fn kick_lost_db(&self) -> f64 {
        self.low_cut_hz.map_or(0.0, |cut| KICK_LOST_AT_100_HZ_DB * (cut / 100.0).powi(3))
    }

    fn cuts_above(&self, hz: f64) -> bool {
        self.low_cut_hz.is_some_and(|cut| cut > hz)
    }

    /// One entry a second; none where the part has no level of that layer.
    pub fn curves(&self, hops: usize) -> LayerCurves {
        let parts: Vec<_> = self.parts.iter().flatten().map(|part| (part, self.part_levels(part).lufs)).collect();
        let curve = |layer: Layer| {
            if self.disbelief(layer as usize).is_some() {
                return vec![None; hops];
            }
            let mut curve = self.powers.curve(layer, &self.takes, hops);
            for (part, _) in parts.iter().filter(|(_, lufs)| lufs[layer as usize].value.is_none()) {
                empty(&mut curve, (part.start_s, part.end_s));
            }
            curve
        };
        LayerCurves {
            bass: curve(Layer::Bass),
            drums: curve(Layer::Drums),
            comping: curve(Layer::Comping),
            horns: curve(Layer::Horns),
        }
    }
}

/// Takes the seconds whose middle lies in a span out of a curve.
fn empty(curve: &mut [Option<f64>], (start_s, end_s): (f64, f64)) {
    for (second, value) in curve.iter_mut().enumerate() {
        if (start_s..end_s).contains(&(second as f64 + 0.5)) {
            *value = None;
        }
    }
}

/// Words of the layers whose levels are from close recordings.
fn from_close(part: &Part) -> Vec<String> {
    let words = ["bass", "drums", "comping", "horns"];
    words.iter().zip(&part.close).filter(|(_, m)| m.is_some()).map(|(word, _)| (*word).to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neither_a_riding_nor_an_overloaded_recorder_gives_a_layer_a_level_of_its_own() {
        assert_eq!(distrust(true, Some(false), false), None);
        assert_eq!(distrust(true, Some(false), true), Some("clipped"));
        assert_eq!(distrust(true, None, true), Some("clipped"));
        assert_eq!(distrust(false, Some(true), true), Some("gain_riding"));
        assert_eq!(layers(Some(CLIPPED), None).curves(3).bass, vec![None; 3]);
    }

    fn layers(distrusted: Option<&'static str>, low_cut_hz: Option<f64>) -> TapeLayers {
        let (takes, clipped) = (vec![(0.0, 10.0)], distrusted == Some(CLIPPED));
        let (parts, form_bars, hits) = (Vec::new(), Vec::new(), Vec::new());
        TapeLayers { powers: LayerPowers::default(), takes, parts, form_bars, hits, distrusted, clipped, low_cut_hz }
    }

    #[test]
    fn a_bass_that_the_recorder_cuts_has_no_level_of_its_own_nor_has_a_kit_whose_kick_it_cuts_and_the_others_have() {
        let [bass, drums, comping] = [Layer::Bass as usize, Layer::Drums as usize, Layer::Comping as usize];
        let cut = |hz| [bass, drums, comping].map(|layer| layers(None, Some(hz)).disbelief(layer));
        assert_eq!(cut(70.0), [None; 3]);
        assert_eq!(cut(90.0), [Some(LOW_CUT), None, None]);
        assert_eq!(cut(120.0), [Some(LOW_CUT), Some(LOW_CUT), None]);
        // By hand: 2.2 dB times 0.8 cubed.
        assert!(
            (layers(None, Some(80.0)).kick_lost_db() - 1.1264).abs() < 1e-9 && layers(None, None).kick_lost_db() == 0.0
        );
        let levels = || [-30.0, -20.0, -25.0, -28.0].map(|lufs| Measured::symmetric(lufs, 1.0, 9));
        let warned = layers(None, Some(90.0)).levels(levels());
        assert_eq!(
            [&warned.bass, &warned.drums].map(|m| m.warnings.clone()),
            [vec![LOW_CUT.to_owned()], vec![LOW_CUT.to_owned()]]
        );
        assert!(warned.comping.warnings.is_empty() && warned.horns.warnings.is_empty());
        assert!(layers(None, Some(70.0)).levels(levels()).drums.warnings.is_empty());
        let (full, fine) = (layers(Some(FULL_SCALE), None), layers(None, None));
        assert_eq!((full.disbelief(bass), full.disbelief(drums)), (Some(FULL_SCALE), Some(FULL_SCALE)));
        assert_eq!((fine.disbelief(bass), fine.disbelief(drums)), (None, None));
    }

    #[test]
    fn a_curve_says_nothing_over_a_part_whose_layer_is_covered() {
        let mut curve: Vec<_> = (0..6).map(|s| Some(f64::from(s))).collect();
        empty(&mut curve, (1.4, 3.4));
        assert_eq!(curve, [Some(0.0), None, None, Some(3.0), Some(4.0), Some(5.0)]);
    }
}
