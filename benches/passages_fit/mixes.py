#!/usr/bin/env python3
"""Random rehearsal tapes with known passages, recorder and noise.

usage: mixes.py RENDER_FOLDER KIT_FOLDER OUT FIRST LAST (seeds FIRST..LAST-1; see README.md)
"""
import sys, json, os, subprocess, tempfile, glob
sys.path.insert(0, sys.argv[1])
import numpy as np, scipy.signal as ss, soundfile as sf, soxr
import render_tapes as R
R.KIT = sys.argv[2]
FS = R.FS
FONTS = [R.FONT, R.FONT.replace('FluidR3_GM', 'TimGM6mb')]  # two General-MIDI fonts
KITS = {'bass': ['bass_upright/meatbass', 'bass_upright/dsmolken', 'bass_upright/pasta', 'bass_electric/growly', 'bass_electric/flatwound', 'bass_electric/'],
        'guitar': ['guitar/archtop', 'guitar/emily', 'guitar/'], 'piano': ['piano/grand', 'piano/wurli', 'piano/'], 'alto': ['horns/altosax']}
PROGS = {'bass': [32, 33, 34, 35, 32, 33, 43], 'guitar': [24, 25, 26, 27, 28, 26, 26], 'piano': [0, 1, 2, 4, 5, 16, 17, 11, 0], 'trumpet': [56, 56, 59, 61], 'trombone': [57, 58, 57], 'alto': [65, 64, 71, 65], 'tenor': [66, 67, 73, 66], 'drums': [0]}
LINES = ["Okay, once more from the pickup to C.", "No no no, wait. Trombones, hold that for four full beats.", "Good. Can we hear just the saxes there?", "Who is missing today? Somebody text him please.", "Bass, a bit less, you are covering everything.",
  "Remember the form: two choruses of solo, then backgrounds, then shout.", "One, two, one two three four.", "It's a dotted quarter, then an eighth, tied over the bar line.", "I want a shorter note at the end of measure twenty three, with an accent, and then diminuendo.", "Sorry.", "Yes, like that.",
  "Drummer, play lighter with the foot and keep the ride going.", "Let's take it slower, about one hundred and twenty.", "Could the pianist give everybody an A?", "Fine. Sit up, breathe, and think about the style before you start.", "Next Thursday we meet at half past three, bring the folders and the stands."]
VOICES = ["en-us", "en-gb", "en-us+f3", "en-us+m5", "en-gb+f2", "en-gb-scotland", "de", "en-us+m1", "en-us+f4", "en-gb+m7", "nl", "fr", "es", "en-gb-x-rp+f5", "en-us+croak", "en-us+whisper"]
SPEECH = ['198-209-0000', '5703-47212-0000']

def col_noise(rng, n, slope, lp):
    X = np.fft.rfft(rng.standard_normal(n)); f = np.fft.rfftfreq(n, 1 / FS); f[0] = f[1]
    X *= (np.maximum(f, 20) / 1000) ** (slope / 6.02) / np.sqrt(1 + (f / lp) ** 4)
    y = np.fft.irfft(X, n); return y / np.std(y)

def speak(rng, dur, td, real_p=.35):
    out = np.zeros(int(dur * FS), np.float32); t = rng.uniform(0.05, .4); first = True
    voice = str(rng.choice(VOICES)); gap = rng.choice([.6, 1.0, 1.5])
    real = rng.random() < real_p
    marg = rng.choice([.8, 1.5, 2.5])
    while t < dur - marg:
        if real:
            y, fs = sf.read(f"{R.KIT}/speech/{rng.choice(SPEECH)}.flac", dtype='float32'); a = int(rng.uniform(0, max(1, len(y) - 3 * fs))); y = y[a: a + int(rng.uniform(1.5, 9) * fs)]
            y = soxr.resample(y, fs * float(rng.choice([1, 1, .9, 1.12])), FS)
        else:
            if rng.random() < .35: voice = str(rng.choice(VOICES))
            p = td + '/s.wav'
            subprocess.run(['espeak-ng', '-v', voice, '-s', str(int(rng.integers(120, 200))), '-p', str(int(rng.integers(20, 75))), '-w', p, str(rng.choice(LINES))], check=True, stderr=subprocess.DEVNULL)
            y, fs = sf.read(p, dtype='float32'); y = soxr.resample(y, fs, FS)
        y = np.trim_zeros(y); i = int(t * FS); m = min(len(y), len(out) - i - int(.1 * FS))
        if m < len(y) and m > 0: y = y.copy(); y[max(0, m - 2000):m] *= np.linspace(1, 0, min(2000, m))
        if m > 0: out[i:i + m] += y[:m] / max(1e-3, np.std(y)) * .06 * 10 ** (rng.uniform(-4, 4) / 20)
        t += len(y) / FS + rng.uniform(0.15, gap) + (rng.uniform(0, 1.2) if rng.random() < .12 else 0)
    return out

def noise_event(rng, kind, dur):
    n = int(dur * FS); x = np.zeros(n)
    if kind == 'applause':
        for _ in range(int(dur * rng.uniform(40, 160))):
            i = int(rng.integers(0, n)); m = min(n - i, int(.03 * FS)); x[i:i + m] += rng.standard_normal(m) * np.exp(-np.arange(m) / (.004 * FS)) * rng.uniform(.2, 1)
        x = ss.sosfilt(ss.butter(2, [500, 4000], 'bp', fs=FS, output='sos'), x)
    elif kind == 'chairs':
        t = 0
        while t < dur - .3:
            d = rng.uniform(.05, .7); i = int(t * FS); m = min(n - i, int(d * FS)); f = rng.uniform(100, 2500)
            x[i:i + m] += ss.sosfilt(ss.butter(1, [f * .5, min(f * 3, 15000)], 'bp', fs=FS, output='sos'), rng.standard_normal(m)) * np.hanning(m) ** .5 * rng.uniform(.2, 1) * (1 + .7 * np.sin(2 * np.pi * rng.uniform(5, 60) * np.arange(m) / FS))
            t += d + rng.exponential(.35)
    else:  # fan, corridor
        x = col_noise(rng, n, rng.uniform(-9, 0), rng.uniform(2000, 15000)) * (.3 if True else 1)
    return (x / (np.std(x) + 1e-9) * .06).astype(np.float32)

def agc(rng, x):
    at, rel = [(.4, .4), (.4, .4), (.05, .8), (.02, 1.5), (.1, 3.), (.2, .6), (.3, 2.), (.01, .3)][int(rng.integers(8))]
    hop = 64; p = (x[: len(x) // hop * hop].reshape(-1, hop) ** 2).mean(1); e = np.zeros(len(p)); s = p[0] + 1e-8
    ca, cr = 1 - np.exp(-hop / FS / at), 1 - np.exp(-hop / FS / rel)
    for i, v in enumerate(p): s += (ca if v > s else cr) * (v - s); e[i] = s
    tgt = 10 ** (rng.uniform(-22, -15) / 20); hi = 10 ** (rng.uniform(10, 24) / 20); lo = rng.uniform(.05, .3)
    g = np.clip((tgt / np.sqrt(e + 1e-10)) ** rng.choice([1, 1, .85, .7]), lo, hi); g = np.interp(np.arange(len(x)), np.arange(len(g)) * hop + hop, g)
    return x * g, dict(at=at, rel=rel)

def make(seed, out):
    rng = np.random.default_rng(seed); name = f"m{seed}"; font = str(rng.choice(FONTS))
    allp = ['bass', 'guitar', 'piano', 'drums', 'trumpet', 'trombone', 'alto', 'tenor']
    ins = ['bass', 'drums'] + [p for p in allp if p not in ('bass', 'drums') and rng.random() < .65]
    if len(ins) == 2: ins.append('piano')
    if rng.random() < .06: ins.remove('drums')
    prog = {i: int(rng.choice(PROGS[i])) for i in allp}
    kit = {i: str(rng.choice(KITS[i])) for i in KITS if rng.random() < .4}
    for i in list(kit):
        try: R.kit_notes(kit[i])
        except AssertionError: del kit[i]
    gain = dict(bass=rng.uniform(0, 7), guitar=rng.uniform(-1, 5), piano=rng.uniform(4, 11), drums=rng.uniform(7, 18), trumpet=rng.uniform(0, 5), trombone=rng.uniform(0, 5), alto=rng.uniform(-1, 4), tenor=rng.uniform(-1, 4))
    for i in kit: gain[i] -= {'piano': 7, 'alto': 8, 'guitar': 1, 'bass': 0}[i]
    notes = {i: [] for i in allp}; noodle = {i: [] for i in allp}
    t = 0.5 if rng.random() < .7 else 0.0; segs = []; talks = []; noises = []; clicks = []
    spec = dict(players=ins)
    kinds = []; nt = int(rng.integers(1, 4))
    def between():
        r = rng.random()
        if r < .60: return ['talk']
        if r < .70: return ['silence', 'talk']
        if r < .76: return ['talk', 'silence']
        if r < .82: return ['talk', 'tuning', 'tuning']
        if r < .87: return ['tuning', 'talk']
        if r < .92: return ['other', 'talk']
        if r < .96: return ['talk', 'other']
        return ['silence']
    kinds += [['silence', 'tuning', 'tuning', 'talk'], ['talk', 'tuning'], ['talk'], ['tuning', 'talk'], ['tuning'], ['other', 'talk', 'silence'], ['silence'], [], ['talk', 'tuning', 'silence']][int(rng.integers(9))]
    for j in range(nt): kinds += ['take'] + (between() if j < nt - 1 or rng.random() < .9 else [])
    for kd in kinds:
        s = t; player = None
        if kd == 'talk': d = rng.uniform(4, 18); talks.append((s, d)); t += d
        elif kd == 'silence': t += rng.uniform(2, 6)
        elif kd == 'tuning':
            player = str(rng.choice(['bass', 'guitar', 'guitar', 'horn'])); d = rng.choice([1.45, 1.45, rng.uniform(1.0, 2.6)])
            if player == 'horn':
                player = str(rng.choice(['trumpet', 'trombone', 'alto', 'tenor', 'piano'])); key = int(rng.choice([58, 70, 57, 69, 65]))
                for _ in range(int(rng.integers(1, 4))): dd = rng.uniform(1.5, 4.5); notes[player].append((t + .1, dd, key if player not in ('tenor', 'trombone') else min(key, 58), 80, 0)); t += dd + rng.uniform(.3, 1.0)
                if player not in ins: ins.append(player)
            else:
                strs = R.BASS_STRINGS if player == 'bass' else R.GTR_STRINGS
                if player not in ins: ins.append(player)
                for rep in range(int(rng.integers(1, 3))):
                    order = list(enumerate(strs)) if rng.random() < .7 else list(enumerate(strs))[::-1]
                    for st, k in order:
                        for _ in range(1 if rng.random() < .85 else 2):
                            notes[player].append((t + .1, d * .86, k, int(rng.uniform(70, 100)), st)); t += d
        elif kd == 'other':
            k2 = str(rng.choice(['applause', 'chairs', 'fan', 'drums', 'noodle', 'noodle'])); d = rng.uniform(4, 10)
            if k2 in ('applause', 'chairs', 'fan'): noises.append((s, noise_event(rng, k2, d) * rng.uniform(.3, 1.2))); player = k2
            elif k2 == 'drums':
                tt = t + .1
                while tt < s + d - .3:
                    r = rng.random(); step = rng.choice([.1, .15, .3, .6])
                    for _ in range(int(rng.integers(1, 8))):
                        if tt < s + d - .3: notes['drums'].append((tt, .1, int(rng.choice([36, 38, 38, 45, 48, 51, 42])), int(rng.uniform(50, 110)), 0)); tt += step
                    tt += rng.exponential(.5)
                player = 'drums'
            else:
                player = 'noodle'
                for i in rng.choice([p for p in ins if p != 'drums'], size=min(len(ins) - 1, int(rng.integers(2, 5))), replace=False):
                    tt = t + rng.uniform(0, 1.5); base = {'bass': 33, 'guitar': 55, 'piano': 62}.get(str(i), 62); step = rng.choice([.12, .2, .33, .5])
                    while tt < s + d - .5:
                        for q in range(int(rng.integers(2, 10))):
                            if tt < s + d - .5: notes[str(i)].append((tt, step * .9, int(base + rng.integers(-5, 12)), int(rng.uniform(60, 95)), 0)); tt += step * rng.choice([1, 1, 1, 2])
                        tt += rng.exponential(1.0)
            t += d
        else:
            bpm = float(np.exp(rng.uniform(np.log(60), np.log(300)))); form = str(rng.choice(['blues', 'blues', 'blues', 'aaba']))
            nsec = 1 if bpm < 110 else int(rng.integers(1, 3)); secs = []
            for j in range(nsec):
                r = rng.random(); pl = list(ins)
                if r < .3: pl = [p for p in ins if p in ('bass', 'drums', 'guitar', 'piano')]
                elif r < .38: pl = [p for p in ins if p in ('bass', 'drums')]
                elif r < .43: pl = ['bass'] if 'bass' in ins else pl
                elif r < .48 and 'guitar' in ins: pl = ['bass', 'guitar']
                elif r < .53 and 'piano' in ins: pl = ['piano']
                elif r < .58 and 'trumpet' in ins: pl = ['trumpet', 'piano'] if 'piano' in ins else ['trumpet', 'bass']
                elif r < .70: pl = [str(rng.choice([p for p in ins if p != 'drums']))]
                secs.append(dict(label='A', players=pl, horns=str(rng.choice(['shout', 'soft'])) if rng.random() < .75 else None, level={i: float(rng.uniform(-6, 3)) for i in ins} if rng.random() < .6 else {}))
            it = dict(bpm=bpm, swing=float(rng.uniform(1, 3)), drift=float(rng.uniform(-.08, .08)), form=form, key=int(rng.integers(48, 60)), sections=secs, rock=rng.random() < .2, hat=rng.random() < .8, kick=int(rng.choice([30, 50, 90])), gtr=str(rng.choice(['four', 'sync', 'two'])), clutter=rng.random() < .2, count_in=rng.random() < .75)
            beats, so = [], []; before = len(notes['drums'])
            oldblues = R.BLUES
            if rng.random() < .8: R.BLUES = R.BLUES[:int(rng.choice([4, 4, 6, 8]))]
            t = R.take_notes(rng, it, t + .1, notes, beats, so, spec); R.BLUES = oldblues
            if it['count_in'] and rng.random() < .3:   # other sticks
                k2 = int(rng.choice([31, 75, 42, 37])); nd = [(n[0], n[1], k2 if n[2] == 37 else n[2], n[3], n[4]) for n in notes['drums'][before:]]; notes['drums'][before:] = nd
            if not it['count_in']:
                pass
            if 'drums' not in ins and it['count_in']: clicks.append([n for n in notes['drums'][before:] if n[2] in (37, 31, 75, 42)][:4])
            fn = min([n[0] for i in ins for n in notes[i] if n[0] >= s] or [s])
            segs.append(dict(kind='take', start=round(max(s, fn - .1), 3), end=round(t, 3), first_beat=round(so[0]['start'], 3), bpm=bpm, count_in=it['count_in'], last_bar=round(so[-1]['end'], 3), players=[sorted(x['players']) for x in secs])); continue
        segs.append(dict(kind=kd, start=round(s, 3), end=round(t, 3), player=player))
    dur = t + rng.uniform(.2, 1.5); rt = rng.uniform(.25, 1.2); drr = rng.uniform(-4, 8); sp = dict(rt60=rt, drr_db=drr)
    irs = sorted(glob.glob(R.KIT + '/rooms/*.flac')); useir = rng.random() < .3; ir = None
    if useir:
        ir, fs = sf.read(str(rng.choice(irs)), dtype='float32'); ir = soxr.resample(ir, fs, FS); ir = ir[int(np.argmax(np.abs(ir))):]; ir /= np.sqrt(np.sum(ir ** 2))
    def put(x, who):
        if ir is not None: return ss.fftconvolve(x, ir)[: len(x)].astype(np.float32)
        return R.place(rng, x, sp, who)
    mix = np.zeros(int(dur * FS), np.float32)
    for i in ins:
        ns = sorted(notes[i])
        if not ns: continue
        cents = rng.uniform(-20, 20); per = rng.uniform(-8, 8, 8)
        if i in kit: x, _ = R.kit_stem(rng, ns, kit[i], lambda tt, s: cents + per[s], dur)
        else: x = R.midi_stem(ns, None, prog[i], i == 'drums', lambda tt, s: cents + per[s], font, dur)
        mix += put(x * 10 ** (gain[i] / 20), i)
    with tempfile.TemporaryDirectory() as td:
        tk = np.zeros(len(mix), np.float32)
        for (s, d) in talks: y = speak(rng, d, td); i = int(s * FS); tk[i:i + len(y)] += y[: len(tk) - i]
        bab = np.zeros(len(mix), np.float32)
        if rng.random() < .15:   # chatter in the background of everything
            bab = speak(rng, dur, td)[: len(mix)] * .03; bab = np.pad(bab, (0, len(mix) - len(bab)))
    lv = np.sqrt(np.mean(mix[np.abs(mix) > 1e-4] ** 2)) if np.any(np.abs(mix) > 1e-4) else .05
    music, wet = mix, put(tk, 'talk')
    for var in 'abc':
        tg = 10 ** (rng.uniform(-26, 4) / 20) * lv / .06
        mix = music + wet * tg + bab * tg
        for (s, y) in noises: i = int(s * FS); m = min(len(y), len(mix) - i); mix[i:i + m] += y[:m] * max(tg, .1 * lv / .06)
        peak = rng.uniform(-15, -1) if rng.random() < .8 else rng.uniform(-30, -15)
        mix = mix * 10 ** (peak / 20) / np.max(np.abs(mix))
        nz = rng.uniform(-80, -50) + min(0, peak + 6); noise = col_noise(rng, len(mix), rng.choice([0, -3, -6, -4.5]), rng.choice([400, 2000, 8000, 30000]))
        mix = mix + noise * 10 ** (nz / 20); meta = dict(noise=nz)
        if rng.random() < .25:
            hf = float(rng.choice([50, 60])); hl = rng.uniform(-65, -45) ; tt = np.arange(len(mix)) / FS; hum = sum(a * np.sin(2 * np.pi * hf * k * tt + rng.uniform(0, 6)) for k, a in ((1, 1), (2, rng.uniform(0, .8)), (3, rng.uniform(0, .8)), (4, rng.uniform(0, .3)))); mix = mix + 10 ** (hl / 20) * hum; meta['hum'] = hf; meta['hum_dbfs'] = hl
        hp = None
        if rng.random() < .35: hp = float(rng.choice([70, 80, 100, 140, 180, 220, 300])); mix = ss.sosfilt(ss.butter(2, hp, 'hp', fs=FS, output='sos'), mix)
        meta['hp'] = hp; lp = None
        if rng.random() < .2: lp = float(rng.choice([3400, 7500, 11000, 14000])); mix = ss.sosfilt(ss.butter(8, lp, fs=FS, output='sos'), mix)
        meta['lp'] = lp; meta['agc'] = None
        if rng.random() < .33: mix, meta['agc'] = agc(rng, mix)
        meta['clip'] = None
        if rng.random() < .2: meta['clip'] = float(rng.uniform(2, 8)); mix = np.clip(mix / np.max(np.abs(mix)) * 10 ** (meta['clip'] / 20), -1, 1)
        if np.max(np.abs(mix)) > .99 and not meta['clip']: mix = mix / np.max(np.abs(mix)) * .97
        fmt, br = [('wav', ''), ('wav', ''), ('mp3', '64k'), ('mp3', '128k'), ('m4a', '64k'), ('m4a', '128k'), ('ogg', '96k')][int(rng.integers(7))]
        meta['fmt'] = fmt + br
        w = f'{out}/{name}{var}.x.wav'; sf.write(w, mix.astype(np.float32), FS, subtype='PCM_16')
        if fmt != 'wav': f2 = f'{out}/{name}{var}.x.{fmt}'; subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', w, '-b:a', br, f2], check=True); os.remove(w)
        else: f2 = w
        os.rename(f2, f'{out}/{name}{var}.{fmt}')
        json.dump(dict(name=name + var, duration=dur, segments=segs, meta=meta, players=ins, font=font, kit=kit), open(f'{out}/{name}{var}.truth.json', 'w'))

if __name__ == '__main__':
    out = sys.argv[3]; os.makedirs(out, exist_ok=True)
    for s in range(int(sys.argv[4]), int(sys.argv[5])):
        try: make(s, out)
        except Exception as e: print(s, repr(e)[:300], flush=True)
