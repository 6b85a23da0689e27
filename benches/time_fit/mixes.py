#!/usr/bin/env python3
"""Random takes with known beats, for fitting and checking the time family.

usage: mixes.py RENDER_FOLDER KIT_FOLDER OUT FIRST LAST plain|hard|broken
needs: numpy scipy soundfile soxr mido pyloudnorm (PyPI), fluidsynth, espeak-ng, ffmpeg, two General-MIDI sound fonts (FONTS);
RENDER_FOLDER holds render_tapes.py, KIT_FOLDER the real notes with their MANIFEST.json.
Writes <name>.wav (48 kHz, one channel) and <name>.truth.json: segments, takes with beats and places in the bar, note times.
plain: swing, straight and rock bands, waltzes, fills, breaks, missing count-offs, recorders and codecs of all kinds.
hard: also without drums or bass, with stops, steps of tempo, wide wander and rubato introductions.
broken: takes in two to four stretches, between which the band stops for 3 to 9 s and counts off again at another tempo, falls apart,
leaves the drums alone for eight bars, changes its tempo at a part, or begins with a rubato introduction; some end in a ritardando.
Their truth also has no_beat (spans in which no tempo may be told) and unjudged (drums alone, ritardando).
"""
import sys, json, os, subprocess, tempfile
import numpy as np, soundfile as sf, scipy.signal as ss, soxr
sys.path.insert(0, sys.argv[1])
import render_tapes as R
FS = R.FS
FONTS = ["/usr/share/sounds/sf2/FluidR3_GM.sf2", "/usr/share/sounds/sf2/TimGM6mb.sf2"]
KIT = R.KIT = sys.argv[2]

def take(rng, it, t0, notes, beats, secs_out, players):
    bpm, swing = it['bpm'], it['swing']; M = it.get('meter', 4)
    form = R.BLUES if it['form'] == 'blues' else R.BLUES[:4] * 2 + R.BRIDGE + R.BLUES[:4]
    form = form[:it.get('bars', len(form))]
    key = it['key']; secs = it['sections']; nb = sum(len(form) * M for _ in secs)
    bt = [t0]; w = 0.0; stops = it.get('stops', {})
    step = it.get('step')
    cnt = 2 * M if it.get('count_in', True) else 0
    for i in range(nb + 2 * M):
        w = .95 * w + rng.normal(0, it.get('wander', .003))
        b = bpm * (1 + it['drift'] * i / nb) * (1 + w)
        if step and i - cnt >= step[0]: b *= step[1]
        bt.append(bt[-1] + 60 / b + (stops.get(i - cnt, 0)))
    for k in range(0, cnt, 2 if M == 4 else 1):
        notes['drums'].append((bt[k], .1, it.get('count_note', 37), 75, 0))
    def at(b):
        i = int(np.floor(b)); f = b - i
        return bt[cnt + i] + (bt[cnt + i + 1] - bt[cnt + i]) * f if cnt + i + 1 < len(bt) else bt[-1]
    up = swing / (1 + swing); J = lambda s: rng.normal(0, s); lag = it['bass_lag_ms'] / 1000
    beat = 0; last = 34; D = notes['drums']
    feel = it['feel']; ride = it.get('ride_note', 51)
    for si, sec in enumerate(secs):
        act = sec['players']; s0 = at(beat); lv = sec.get('level', {})
        for bar, (deg, q) in enumerate(form):
            root = (key + deg) % 12; chord = [(root + c) % 12 for c in R.QUAL[q]]; nxt = (key + form[(bar + 1) % len(form)][0]) % 12
            v = lambda i, base: base * 10 ** (lv.get(i, 0) / 40) + rng.normal(0, 4)
            lastbar = bar == len(form) - 1; fill = it.get('fills') and lastbar and rng.random() < .8
            brk = it.get('breaks') and lastbar and not fill
            ups = up + rng.normal(0, .0)
            for b in range(M):
                tb, te = at(beat + b), at(beat + b + 1)
                beats.append((float(tb), b + 1))
                if 'bass' in act and not (brk and b > 0):
                    two = sec.get('two')
                    if not two or b % 2 == 0:
                        pc = root if b == 0 else ((nxt + (1 if rng.random() < .5 else -1)) % 12 if b == M - 1 else chord[int(rng.integers(0, 4))])
                        c = [k for k in range(28, 52) if k % 12 == pc]; k = min(c, key=lambda z: abs(z - last) + (6 if z == last else 0) + rng.uniform(0, 3)); last = k
                        st = max(i for i, o in enumerate(R.BASS_STRINGS) if o <= k)
                        notes['bass'].append((tb + lag + J(.008), (te - tb) * (.92 if not two else 1.9), k, v('bass', 92), st))
                        if it.get('bass_eighths') and rng.random() < .12: notes['bass'].append((at(beat + b + up) + lag + J(.008), (te - tb) * .25, k, v('bass', 70), st))
                if 'drums' in act and not (brk and b > 0):
                    if fill and b >= 1:
                        for e in (0, 1 / 3, 2 / 3) if feel == 'swing' else (0, .25, .5, .75):
                            if rng.random() < .85: D.append((at(beat + b + e) + J(.006), .1, int(rng.choice([38, 45, 47, 50])), v('drums', 95), 0))
                        if rng.random() < .5: D.append((tb + J(.005), .1, 36, v('drums', 70), 0))
                    elif feel == 'swing' or feel == 'straight':
                        if rng.random() > it.get('ride_drop', 0): D.append((tb + J(.004), .2, ride, v('drums', 82 if b % 2 == 0 else 92), 0))
                        sk = (b % 2 == 1) if M == 4 else b in (1,)
                        if sk and rng.random() > it.get('skip_drop', 0): D.append((at(beat + b + up) + J(.005), .2, ride, v('drums', 74), 0))
                        if (b % 2 == 1 if M == 4 else b in (1, 2)) and it['hat']: D.append((tb + J(.004), .1, 44, v('drums', it.get('hatv', 96)), 0))
                        if it['kick']: D.append((tb + J(.005), .1, 36, v('drums', it['kick']), 0))
                        if rng.random() < it.get('snare', .18): D.append((at(beat + b + up) + J(.005), .1, 38, v('drums', it.get('snv', 50)), 0))
                    elif feel == 'rock':
                        for e in (0, .5): D.append((at(beat + b + e) + J(.004), .1, 42, v('drums', 88), 0))
                        if b % 2 == 0: D.append((tb + J(.004), .1, 36, v('drums', 118), 0))
                        else: D.append((tb + J(.004), .1, 38, v('drums', 116), 0))
                        if it.get('rock_synk') and b == 2 and rng.random() < .5: D.append((at(beat + b + .5), .1, 36, v('drums', 105), 0))
            voic = sorted(48 + (c - 48) % 12 for c in chord[1:])
            if 'guitar' in act and not brk:
                for b in range(M):
                    if it['gtr'] == 'four' or (it['gtr'] == 'sync' and b in (0, 1)):
                        tb = at(beat + b + (up if it['gtr'] == 'sync' and b == 1 else 0)) + J(.007)
                        for j, k in enumerate(voic):
                            st = min(max(i for i, o in enumerate(R.GTR_STRINGS) if o <= k + 2), 2 + j)
                            while R.GTR_STRINGS[st] > k: st -= 1
                            notes['guitar'].append((tb + .004 * j, (at(beat + b + 1) - at(beat + b)) * .7, k, v('guitar', 84), st))
            if 'piano' in act and not brk:
                hits = [0, 1 + up] if rng.random() < .5 else [up, 2 + up] if rng.random() < .5 else [1, min(3, M - 1) + up]
                if it.get('clutter'): hits = [0, up, 1, 1 + up, 2 + up] + ([3] if M == 4 else [])
                for h in hits:
                    tb = at(beat + h) + J(.009)
                    for k in voic + [voic[0] + 12]: notes['piano'].append((tb, .35, k + 12, v('piano', 70), 0))
            mel = sec.get('horns')
            for i in ('trumpet', 'trombone', 'alto', 'tenor'):
                if i in act and mel:
                    off = dict(trumpet=12, trombone=0, alto=7, tenor=3)[i]
                    if mel == 'random':
                        n = int(rng.integers(1, 5)); pat = [(float(rng.integers(0, M)) + (up if rng.random() < .5 else 0), float(rng.uniform(.3, 1.5))) for _ in range(n)]
                    else: pat = [(0, .6), (1 + up, .9), (M - 1, .5)] if mel == 'shout' else [(up, 1.2), (2, 1.6)]
                    for (h, d) in pat:
                        k = min((k for k in range(48 + off, 66 + off) if k % 12 in chord), key=lambda z: abs(z - (57 + off)) + rng.uniform(0, 4))
                        notes[i].append((at(beat + h) + J(.012), d * 60 / bpm, k, v(i, 92 if mel == 'shout' else 74), 0))
            beat += M
        secs_out.append(dict(label=sec['label'], start=float(s0), end=float(at(beat))))
    return float(at(beat) + 1.2)

_dk = {}
def drum_kit(rng, ns, dur):
    import glob
    x = np.zeros(int((dur + 6) * FS), np.float32)
    fam = {36: 'muldjord_kick', 38: 'muldjord_snare', 51: 'muldjord_ride_', 44: 'muldjord_hh_closed', 42: 'muldjord_hh_closed', 37: 'snare12_sn_vl1', 45: 'brush14_sb_vl4', 47: 'brush14_sb_vl5', 50: 'snare12_sn_vl6', 53: 'muldjord_ride2', 59: 'muldjord_ride2'}
    for (t, d, k, v, _) in ns:
        p = fam[k]
        if p not in _dk:
            fs = sorted(glob.glob(f'{KIT}/drums/{p}*'))
            L = []
            for f in fs:
                y, r = sf.read(f, dtype='float32'); y = y.mean(axis=1) if y.ndim == 2 else y
                if r != FS: y = soxr.resample(y, r, FS)
                L.append(y)
            L.sort(key=lambda y: np.max(np.abs(y))); _dk[p] = L
        L = _dk[p]; y = L[int(np.clip((v - 30) / 90 * len(L) + rng.integers(-1, 2), 0, len(L) - 1))]
        on = np.argmax(np.abs(y) > .1 * np.max(np.abs(y)))
        g = {36: .9, 38: .6, 51: .28, 53: .28, 59: .28, 44: .15, 42: .25, 37: .4}.get(k, .5)
        y = y * g / max(1e-4, np.max(np.abs(y))) * 10 ** ((v - 90) / 45)
        if k == 44: y = y[: int(.09 * FS)] * np.linspace(1, 0, min(len(y), int(.09 * FS)))
        o = max(0, int(t * FS) - on); n = min(len(y), len(x) - o); x[o:o + n] += y[:n]
    return x[: int(dur * FS)] * .5

def spec_of(i, mode):
    rng = np.random.default_rng(9000 + i)
    bpm = float(np.exp(rng.uniform(np.log(60), np.log(310))))
    feel = str(rng.choice(['swing', 'rock', 'straight'], p=[.7, .2, .1]))
    if feel == 'rock': bpm = float(np.exp(rng.uniform(np.log(75), np.log(190))))
    hi = float(np.clip(3.6 - (bpm - 80) / 220 * 2.2, 1.3, 3.5))
    swing = 1.0 if feel == 'straight' else float(rng.uniform(1.2, hi)) if feel == 'swing' else float(rng.choice([1.0, 1.6]))
    meter = 3 if feel == 'swing' and rng.random() < .08 else 4
    horns = [h for h in ('trumpet', 'trombone', 'alto', 'tenor') if rng.random() < .7]
    base = ['bass', 'drums'] + [x for x in ('guitar', 'piano') if rng.random() < .8]
    if mode == 'hard':
        r = rng.random()
        if r < .25: base.remove('drums')
        elif r < .35: base.remove('bass')
    bars = 12; per = bars * meter * 60 / bpm
    nsec = int(np.clip(round(55 / per), 1, 4))
    form = 'blues' if rng.random() < .7 else 'aaba'
    if form == 'aaba': nsec = max(1, nsec // 2)
    secs = []
    for s in range(nsec):
        h = str(rng.choice(['melody', 'shout', 'random', 'none']))
        secs.append(dict(label=f's{s}', players=base + (horns if h != 'none' else []), horns=None if h == 'none' else h, two=bool(rng.random() < .06 and bpm > 100), level={x: float(rng.uniform(0, 4)) for x in horns}))
    it = dict(bpm=bpm, swing=swing, meter=meter, form=form, key=int(rng.integers(50, 62)), sections=secs, feel=feel, hat=bool(rng.random() < .75), kick=0 if rng.random() < .15 else float(rng.uniform(28, 55)),
              drift=float(rng.choice([0, 0, rng.uniform(-.1, .1)])), wander=float(rng.uniform(.001, .005)), bass_lag_ms=float(rng.choice([0, 0, rng.uniform(-20, 35)])), gtr=str(rng.choice(['four', 'four', 'sync', 'none'])), clutter=bool(rng.random() < .25),
              fills=bool(rng.random() < .5), breaks=bool(rng.random() < .2), ride_drop=float(rng.choice([0, .05, .15])), skip_drop=float(rng.choice([0, .1, .4])), snare=float(rng.uniform(.05, .35)), snv=float(rng.uniform(40, 85)), hatv=float(rng.uniform(75, 105)),
              bass_eighths=bool(rng.random() < .4), rock_synk=bool(rng.random() < .4), count_in=bool(rng.random() < .75), ride_note=int(rng.choice([51, 51, 59, 53])))
    if mode == 'hard':
        nbt = nsec * (12 if form == 'blues' else 20) * meter
        r = rng.random()
        if r < .3: it['stops'] = {int(nbt * .5): float(rng.uniform(.4, 4))}
        elif r < .5: it['step'] = (int(nbt * .5), float(rng.choice([.85, 1.12, 1.2])))
        elif r < .6: it['wander'] = .012
    fonts = FONTS
    spec = dict(name=f'{mode}{i:03d}', players=base + horns, item=it, font_drums=str(rng.choice(fonts)), font=str(rng.choice(fonts)), drum_prog=int(rng.choice([0, 0, 32, 40])), kitdrums=bool(rng.random() < .25),
                kit={}, voice=dict(bass=str(rng.choice(['bass_upright', 'bass_electric']))), gain={x: float(rng.normal(0, 3)) for x in base + horns}, rt60=float(rng.uniform(.3, 1.2)), drr_db=float(rng.uniform(-1, 7)), noise_dbfs=float(rng.choice([-65, -55, -46])))
    if rng.random() < .5: spec['kit']['bass'] = str(rng.choice(['bass_upright/meatbass', 'bass_upright/smolken', 'bass_electric/flatwound', 'bass_electric/growly']))
    if rng.random() < .3: spec['kit']['guitar'] = str(rng.choice(['guitar/archtop', 'guitar/emily']))
    if rng.random() < .3: spec['kit']['piano'] = str(rng.choice(['piano/grand', 'piano/wurli']))
    if rng.random() < .25: spec['eq'] = dict(bass=[dict(type='shelf', f=110, db=float(rng.uniform(3, 9)))])
    if rng.random() < .25: spec['agc'] = True
    if rng.random() < .25: spec['mic_hp'] = float(rng.uniform(80, 180))
    if rng.random() < .15: spec['clip_db'] = float(rng.uniform(2, 6))
    if rng.random() < .4: spec['codec'] = [str(x) for x in [('m4a', '64k'), ('mp3', '96k'), ('m4a', '96k'), ('mp3', '160k')][int(rng.integers(0, 4))]]
    spec['pre'] = str(rng.choice(['talk', 'silence', 'none'])); spec['rubato'] = bool(mode in ('hard', 'broken') and rng.random() < .25)
    return spec, rng

def stem_drums(ns, font, prog, dur):
    import mido
    mid = mido.MidiFile(ticks_per_beat=1000); tr = mido.MidiTrack(); mid.tracks.append(tr)
    ev = [(0, 0, mido.MetaMessage('set_tempo', tempo=1000000)), (0, 1, mido.Message('program_change', channel=9, program=prog))]
    for (t, d, k, v, s) in ns:
        ev.append((t, 5, mido.Message('note_on', channel=9, note=int(k), velocity=int(np.clip(v, 1, 127))))); ev.append((t + d, 4, mido.Message('note_off', channel=9, note=int(k), velocity=0)))
    ev.sort(key=lambda e: (max(0, e[0]), e[1])); last = 0
    for (t, _, m) in ev:
        k = int(round(max(0, t) * 1000)); m.time = k - last; last = k; tr.append(m)
    with tempfile.TemporaryDirectory() as td:
        mid.save(td + '/a.mid')
        subprocess.run(['fluidsynth', '-q', '-n', '-i', '-R', '0', '-C', '0', '-g', '0.6', '-r', str(FS), '-O', 'float', '-F', td + '/a.wav', font, td + '/a.mid'], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        x, _ = sf.read(td + '/a.wav', dtype='float32')
    x = x.mean(axis=1); n = int(dur * FS)
    return np.pad(x, (0, max(0, n - len(x))))[:n]

def fall_apart(rng, it, t, notes, players):
    """Eight bars in which each player's time goes its own way and notes are left out more and more; returns the end."""
    own = {p: [] for p in notes}; end = take(rng, it, t, own, [], [], players) - 1.2
    for p, ns in own.items():
        way = rng.uniform(.12, .35) * rng.choice([-1, 1])
        for n in ns:
            x = (n[0] - t) / (end - t)
            if rng.random() > .75 * x and n[0] < end: notes[p].append((t + (n[0] - t) * (1 + way * x),) + tuple(n[1:]))
    return end + .35 * (end - t)


def drums_alone(rng, bpm, t, D):
    """Eight bars of drums alone, in time and without the ride's pattern; returns the end."""
    for b in range(32):
        for e in (0, 1 / 3, 2 / 3):
            if rng.random() < .55: D.append((t + (b + e) * 60 / bpm + rng.normal(0, .008), .1, int(rng.choice([38, 38, 45, 47, 50, 36])), float(rng.uniform(60, 110)), 0))
        if rng.random() < .4: D.append((t + b * 60 / bpm, .1, 44, 85, 0))
    return t + 32 * 60 / bpm


def broken_take(rng, it, t, notes, beats, secs, players, no_beat, unjudged):
    """Stretches of playing with something between them; returns the end."""
    n, bpm, first = int(rng.integers(2, 5)), it['bpm'], True
    form = 12 if it['form'] == 'blues' else 20
    for k in range(n):
        own = dict(it, bpm=bpm, drift=float(rng.choice([0, 0, rng.uniform(-.06, .06)])), stops={}, step=None)
        bars = int(np.clip(round(18 * bpm / 60 / it['meter']), 8, form)); own['bars'] = bars
        own['sections'] = [dict(it['sections'][k % len(it['sections'])], label=f's{k}')]
        own['count_in'] = first and it['count_in'] or not first and own_count
        end = take(rng, own, t, notes, beats, secs, players) - 1.2
        if k + 1 == n: break
        event = str(rng.choice(['stop', 'fall', 'solo', 'change', 'stop', 'fall'])); own_count, first = True, False
        if event == 'solo' and 'drums' in players:
            t = drums_alone(rng, bpm, end, notes['drums']); unjudged.append((end, t)); own_count = False
        elif event == 'change':
            bpm *= float(rng.choice([.78, .85, 1.15, 1.28])); t, own_count = end, False
        else:
            if event == 'fall':
                start, end = end, fall_apart(rng, dict(own, bars=8, count_in=False), end, notes, players)
            else: start = end
            t = end + float(rng.uniform(3, 9)); no_beat.append((start, t)); bpm *= float(rng.uniform(.94, 1.06))
    if rng.random() < .4:  # the last two bars slow down
        m = 2 * it['meter']; a = beats[-m][0]; z = end
        warp = lambda x: x if x < a else a + (x - a) * (1 + .5 * (x - a) / (z - a))
        for p in notes: notes[p] = [(warp(n[0]),) + tuple(n[1:]) for n in notes[p]]
        beats[:] = [(warp(b[0]), b[1]) for b in beats]; unjudged.append((a, warp(z) + .5)); secs[-1]['end'] = warp(z)
    return secs[-1]['end'] + 1.2


def make(i, mode, out):
    spec, rng = spec_of(i, mode)
    players = spec['players']; notes = {p: [] for p in set(players) | {'drums', 'bass', 'guitar', 'piano'}}
    beats, secs = [], []; t = .5; pre = 4. if spec['pre'] != 'none' else .2
    t0 = t + pre; it = spec['item']; rub = 0
    if spec['rubato']:
        tt = t0 + .3
        for _ in range(9):
            ch = [int(rng.integers(0, 12)) for _ in range(4)]
            for c in ch: notes['piano'].append((tt, .9, 55 + c, 70, 0))
            if rng.random() < .5: notes['piano'].append((tt + float(rng.uniform(.2, .6)), .6, 67 + ch[0], 75, 0))
            tt += float(rng.uniform(.5, 1.6))
        rub = tt + .6 - t0
        if 'piano' not in players: players.append('piano')
    no_beat, unjudged = [(t0, t0 + rub)] if rub else [], []
    if mode == 'broken': end = broken_take(rng, it, t0 + rub + .1, notes, beats, secs, players, no_beat, unjudged)
    else: end = take(rng, it, t0 + rub + .1, notes, beats, secs, players)
    dur = end + 3
    stems = []
    for p in players:
        ns = sorted(notes[p])
        if not ns: continue
        if p == 'drums': x = drum_kit(rng, ns, dur) if spec['kitdrums'] else stem_drums(ns, spec['font_drums'], spec['drum_prog'], dur)
        elif p in spec['kit']: x, _ = R.kit_stem(rng, ns, spec['kit'][p], lambda a, b: 0., dur)
        else: x = R.midi_stem(ns, None, R.PROG[spec['voice']['bass'] if p == 'bass' else p], False, lambda a, b: 0., spec['font'], dur)
        for e in spec.get('eq', {}).get(p, []): x = R.shelf(x, e['f'], e['db'])
        x = x * 10 ** (spec['gain'].get(p, 0) / 20)
        stems.append(R.place(rng, x.astype(np.float32), spec, p))
    if spec['pre'] == 'talk':
        with tempfile.TemporaryDirectory() as td: y = R.speak(rng, pre, td)
        z = np.zeros(int(dur * FS), np.float32); z[int(.5 * FS):int(.5 * FS) + len(y)] = y * .25; stems.append(z)
    mix = sum(stems); mix = mix * .7 / np.max(np.abs(mix)); n = rng.standard_normal(len(mix)); n = ss.sosfilt(ss.butter(1, 400, fs=FS, output='sos'), n)
    mix = mix + n / np.std(n) * 10 ** (spec['noise_dbfs'] / 20)
    if spec.get('mic_hp'): mix = ss.sosfilt(ss.butter(2, spec['mic_hp'], 'hp', fs=FS, output='sos'), mix)
    if spec.get('agc'):
        e = np.sqrt(ss.lfilter([1 / (FS * .4)], [1, -(1 - 1 / (FS * .4))], mix ** 2) + 1e-8); mix = mix * np.clip(.12 / e, .2, 6)
    if spec.get('clip_db'): mix = mix * 10 ** (spec['clip_db'] / 20)
    mix = np.clip(mix, -1, 1); name = spec['name']
    w = f'{out}/{name}.wav'; sf.write(w, mix.astype(np.float32), FS, subtype='PCM_16')
    if spec.get('codec'):
        f, b = spec['codec']; subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', w, '-b:a', b, f'{out}/{name}.{f}'], check=True)
        subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', f'{out}/{name}.{f}', '-ar', '48000', w], check=True); os.remove(f'{out}/{name}.{f}')
    else:
        subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', w, '-ar', '48000', w + '.t.wav'], check=True); os.replace(w + '.t.wav', w)
    segments = [dict(kind='take', start=t0, end=end)]
    take_truth = dict(start=beats[0][0], end=secs[-1]['end'], bpm=it['bpm'], beats=beats, swing=it['swing'], rock=it['feel'] == 'rock', hat=it['hat'] and it['feel'] != 'rock' and 'drums' in players, meter=it.get('meter', 4), bass_lag_ms=it['bass_lag_ms'], sections=secs, drums='drums' in players, bass='bass' in players, no_beat=no_beat, unjudged=unjudged)
    json.dump(dict(name=name, duration=dur, spec=spec, segments=segments, takes=[take_truth], note_times={p: [(round(float(n[0]), 4), int(n[2])) for n in notes[p]] for p in notes}), open(f'{out}/{name}.truth.json', 'w'), default=float)

if __name__ == '__main__':
    for i in range(int(sys.argv[4]), int(sys.argv[5])): make(i, sys.argv[6], sys.argv[3]); print(i, flush=True)
