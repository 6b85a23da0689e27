#!/usr/bin/env python3
"""Random takes whose bass sounds a known time after the ride, for the bass lag.

usage: lag_mixes.py RENDER_FOLDER KIT_FOLDER OUT FIRST LAST   (needs what mixes.py needs)
Writes <name>.flac (48 kHz, one channel) and <name>.lag.json: beats, the piece, sound_lag_ms. Each piece is played by three
basses of fifteen at lags of -35 to 35 ms, in rooms of 0.25 to 1.2 s, a part of it through small microphones and codecs.
The sound's onset is where the amplitude first has a tenth of its peak, measured on single notes of every bass and ride.
"""
import sys, json, os, subprocess, tempfile
import numpy as np, soundfile as sf, scipy.signal as ss, soxr
import mixes as M
R, FS = M.R, M.FS
FONT = {'fl': M.FONTS[0], 'ti': M.FONTS[1]}
BASS = ['fl32', 'fl33', 'ti32', 'ti33', 'fl34', 'ti34', 'fl35', 'ti35', 'fl37', 'ti37', 'bass_upright/meatbass', 'bass_upright/smolken', 'bass_electric/flatwound', 'bass_electric/growly', 'bass_electric/yr']
SHARE = np.array([2, 2, 2, 2, .5, .7, 1, 1, .7, .7, 2, 2, 2, 2, 1]); SHARE = SHARE / SHARE.sum()
_DELAY = {}


def bass_stem(rng, notes, which, dur):
    if '/' in which: return R.kit_stem(rng, notes, which, lambda a, b: 0., dur)[0]
    return R.midi_stem(notes, None, int(which[2:]), False, lambda a, b: 0., FONT[which[:2]], dur)


def onset_ms(x, times, band):
    """Median time after the nominal start at which the amplitude in a band has a tenth of its peak."""
    y = ss.sosfilt(ss.butter(2, band, 'bp', fs=FS, output='sos'), x); e = np.abs(ss.hilbert(y)); e = np.convolve(e, np.ones(88) / 88, 'same'); found = []
    for t in times:
        o = int(t * FS); seg = e[o - 1300:o + 5000]; base = seg[:600].mean(); found.append((np.argmax(seg > base + .1 * (seg.max() - base)) - 1300) / FS * 1000)
    return float(np.median(found))


def delay_ms(which, make, keys, band):
    if which not in _DELAY:
        times = [1 + .7 * i for i in range(len(keys))]
        _DELAY[which] = onset_ms(make([(t, .55, k, 92, 0) for t, k in zip(times, keys)], times[-1] + 2), times, band)
    return _DELAY[which]


def run(i, out):
    spec, rng = M.spec_of(i, 'train'); it = spec['item']; it['bass_lag_ms'] = 0.; it['count_in'] = False
    if it['bpm'] > 280: it['bpm'] *= .7
    form = R.BLUES if it['form'] == 'blues' else R.BLUES[:4] * 2 + R.BRIDGE + R.BLUES[:4]
    it['sections'] = it['sections'][:max(1, int(round(40 / (len(form) * it['meter'] * 60 / it['bpm']))))]
    if it['bpm'] < 85: it['bars'] = 8
    players = spec['players']; notes = {p: [] for p in set(players) | {'drums', 'bass', 'guitar', 'piano'}}; beats, parts = [], []
    dur = M.take(rng, it, .4, notes, beats, parts, players) + .6; stems = {}
    drums = lambda ns, d: M.drum_kit(rng, ns, d) if spec['kitdrums'] else M.stem_drums(ns, spec['font_drums'], spec['drum_prog'], d)
    for p in players:
        ns = sorted(notes[p])
        if not ns or p == 'bass': continue
        if p == 'drums': x = drums(ns, dur)
        elif p in spec['kit']: x, _ = R.kit_stem(rng, ns, spec['kit'][p], lambda a, b: 0., dur)
        else: x = R.midi_stem(ns, None, R.PROG[p], False, lambda a, b: 0., spec['font'], dur)
        stems[p] = x * 10 ** (spec['gain'].get(p, 0) / 20)
    scale = .12 / np.sqrt(np.mean(sum(stems.values()) ** 2))
    ride = delay_ms(('ride', spec['kitdrums'], spec['font_drums'], spec['drum_prog']), drums, [51] * 12, (4000, 16000))
    for q, which in enumerate(rng.choice(BASS, size=3, replace=False, p=SHARE)):
        own = delay_ms(str(which), lambda ns, d: bass_stem(rng, ns, str(which), d), list(range(28, 52)), (30, 8000))
        bass = bass_stem(rng, sorted(notes['bass']), str(which), dur); bass = bass * (.08 / np.sqrt(np.mean(bass ** 2) + 1e-12)) * 10 ** (rng.normal(0, 3) / 20)
        lag = float(rng.uniform(-35, 35)); room = dict(rt60=float(rng.uniform(.25, 1.2)), drr_db=float(rng.uniform(-1, 8)))
        mix = R.place(rng, np.roll(bass, int(lag / 1000 * FS)).astype(np.float32), room, 'bass')
        for p, x in stems.items(): mix = mix + R.place(rng, (x * scale).astype(np.float32), room, p)
        mix = mix * .7 / np.max(np.abs(mix)) + rng.standard_normal(len(mix)) * 10 ** (float(rng.choice([-65, -55, -48])) / 20) * .7
        if rng.random() < .2: mix = ss.sosfilt(ss.butter(2, float(rng.uniform(80, 180)), 'hp', fs=FS, output='sos'), mix)
        if rng.random() < .2:
            e = np.sqrt(ss.lfilter([1 / (FS * .4)], [1, -(1 - 1 / (FS * .4))], mix ** 2) + 1e-8); mix = mix * np.clip(.12 / e, .2, 6)
        if rng.random() < .15: mix = mix * 10 ** (float(rng.uniform(2, 6)) / 20)
        y = soxr.resample(np.clip(mix, -1, 1).astype(np.float32), FS, 48000)
        if rng.random() < .25:
            with tempfile.TemporaryDirectory() as td:
                rate, kind = str(rng.choice(['64k', '96k', '128k'])), str(rng.choice(['m4a', 'mp3'])); sf.write(td + '/a.wav', y, 48000)
                subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', td + '/a.wav', '-b:a', rate, td + '/b.' + kind], check=True)
                subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', td + '/b.' + kind, '-ar', '48000', td + '/c.wav'], check=True); y = sf.read(td + '/c.wav', dtype='float32')[0]
        name = os.path.join(out, f'l{i:04d}_{q}'); sf.write(name + '.flac', y, 48000, subtype='PCM_16')
        json.dump(dict(beats=[float(b[0]) for b in beats], piece=i, sound_lag_ms=lag + own - ride, played_lag_ms=lag, bass=str(which), notes=[(float(n[0] + lag / 1000), float(n[1]), int(n[2])) for n in sorted(notes['bass'])]), open(name + '.lag.json', 'w'))


if __name__ == '__main__':
    for i in range(int(sys.argv[4]), int(sys.argv[5])): run(i, sys.argv[3])
