"""Random band music from single notes: dry stems of bass, drums, guitar, keys and horns, without end.

No tune, no file: chords, rhythms, players, tempi and who plays are drawn at random for every example.
"""
import numpy as np

RATE = 48000
CLASSES = ["bass", "drums", "guitar", "keys", "horns"]
CHORDS = [[0, 4, 7, 10], [0, 3, 7, 10], [0, 4, 7, 11], [0, 3, 6, 10], [0, 4, 7, 9], [0, 3, 7], [0, 4, 7], [0, 5, 7, 10], [0, 3, 6, 9], [0, 4, 8, 10]]


class Player(list):
    """The notes of one instrument as one player plays it in one song."""
    def __init__(self, rng, notes):
        super().__init__(notes); self.shift = float(rng.normal(0, 3)) if rng.random() < .5 else 0.0; self.loose = 2 if rng.random() < .3 else 0; self.second = None


class Library:
    """notes: list of dict(cls, inst, midi, piece, x float32 at 48 kHz)."""
    def __init__(self, notes):
        self.by = {}
        for n in notes:
            self.by.setdefault(n["cls"], {}).setdefault(n["inst"], []).append(n)
        for insts in self.by.values():
            for k in insts: insts[k].sort(key=lambda n: n["midi"] or 0)
        # Recorded instruments are few: they are drawn nearly as often as all the programs of the fonts together.
        self.names = {}
        for c, insts in self.by.items():
            real = [k for k in insts if "/" in k]; made = [k for k in insts if k.startswith("invented")]; font = [k for k in insts if "/" not in k and k not in made]
            share = (.36, .42, .22) if c == "drums" else (.38, .44, .18) if c == "bass" else (.25, .70, .05) if c == "horns" else (.38, .57, .05)
            self.names[c] = [(w, pool) for w, pool in zip(share, (real, font, made)) if pool]

    def name(self, rng, cls):
        kinds = self.names[cls]; w = np.array([k[0] for k in kinds]); pool = kinds[rng.choice(len(kinds), p=w / w.sum())][1]
        return pool[rng.integers(len(pool))]

    def pick(self, rng, cls):
        one = Player(rng, self.by[cls][self.name(rng, cls)])
        # One player in twelve sounds like two instruments at once: a timbre that no instrument has.
        if cls != "drums" and rng.random() < .08: one.second = (Player(rng, self.by[cls][self.name(rng, cls)]), rng.uniform(.2, 1), int(rng.choice([0, 0, 0, 12])) if cls == "keys" else 0)
        return one


def at(x, note, t, dur, gain, rng, ratio=1.0, release=.05):
    """Adds a note to x at t seconds, held dur seconds, at a playback ratio."""
    y = note["x"]; o = int(t * RATE)
    if o < 0 or o >= len(x): return
    n = min(int((dur + release) * RATE), len(x) - o)
    need = int(n * ratio) + 2
    if abs(ratio - 1) < 1e-6:
        y = y[:n]
    else:
        m = min(n, int((len(y) - 2) / ratio))
        if m <= 0: return
        pos = np.arange(m, dtype=np.float32) * np.float32(ratio); i = pos.astype(np.int32); f = pos - i
        y = y[i] * (1 - f) + y[i + 1] * f
    y = y.copy() if n < len(note["x"]) else y
    r = min(len(y), int(release * RATE))
    if len(y) >= n and r > 8:
        y = y.copy(); y[-r:] *= np.linspace(1, 0, r, dtype=np.float32)
    x[o:o + len(y)] += y * np.float32(gain)


def at_key(x, inst, key, t, dur, gain, rng, detune=0.0, release=.05):
    """Plays the recorded note nearest to the key plus the instrument's own shift: another body for the same pitch."""
    d = np.array([abs(n["midi"] - key - inst.shift) for n in inst])
    c = np.nonzero(d <= d.min() + inst.loose)[0]; n = inst[c[rng.integers(len(c))]]
    at(x, n, t, dur, gain, rng, 2 ** ((key - n["midi"] + detune / 100) / 12), release)
    if inst.second: at_key(x, inst.second[0], key + inst.second[2], t, dur, gain * inst.second[1], rng, detune, release)


class Clock:
    def __init__(self, rng, seconds, slowest=60):
        self.bpm = float(np.exp(rng.uniform(np.log(slowest), np.log(290)))); self.straight = rng.random() < .35
        self.swing = 1.0 if self.straight else rng.uniform(1.3, 3.0); self.up = self.swing / (1 + self.swing)
        self.start = -rng.uniform(0, 4) * 60 / self.bpm; self.beat = 60 / self.bpm
        self.per_bar = int(rng.choice([4, 4, 4, 4, 4, 3, 5, 6])); self.bars = int(seconds / self.beat / self.per_bar) + 2
    def t(self, beat):
        i = np.floor(beat); f = beat - i
        if abs(f - .5) < 1e-6: f = self.up
        return self.start + (i + f) * self.beat


def jit(rng, s=.008): return rng.normal(0, s)
def vel(rng, spread=.35): return float(np.exp(rng.normal(0, spread)))


def bass_part(rng, x, lib, ck, chords, active):
    inst = lib.pick(rng, "bass"); lag = rng.normal(0, .012); style = rng.choice(["walk", "walk", "two", "eighths", "latin", "sparse", "solo"]); last = int(rng.integers(31, 45)); det = rng.normal(0, 12); mute = rng.uniform(.5, 1.0)
    for bar in range(ck.bars):
        root, ch = chords[bar]; P = ck.per_bar
        if style == "walk": beats = [(b, 1) for b in range(P)] + ([(P - .5, .5)] if rng.random() < .15 else [])
        elif style == "two": beats = [(0, 2), (P // 2, 2)]
        elif style == "eighths": beats = [(b / 2, .5) for b in range(2 * P)]
        elif style == "latin": beats = [(0, 1.5), (1.5, .5), (2, 1.5), (3.5 if P >= 4 else 2.5, .5)]
        elif style == "sparse": beats = [(int(rng.integers(P)), rng.uniform(.5, 3))]
        else: beats = [(b / 2, .5) for b in range(2 * P) if rng.random() < .6]
        for b, d in beats:
            if not active(bar * P + b, ck): continue
            pc = (root + ch[int(rng.integers(len(ch)))] + (int(rng.integers(-1, 2)) if rng.random() < .2 else 0)) % 12 if b else root
            hi = 64 if style == "solo" else 53
            c = [k for k in range(26, hi) if k % 12 == pc]; k = min(c, key=lambda z: abs(z - last) + rng.uniform(0, 5)); last = k
            at_key(x, inst, k, ck.t(bar * P + b) + lag + jit(rng), d * ck.beat * mute, vel(rng, .25), rng, det)


def hit(rng, x, kit, piece, t, g):
    c = [n for n in kit if n["piece"] == piece]
    if c:
        n = c[rng.integers(len(c))]; at(x, n, t, 3.0, g, rng, 1.0)


def drum_part(rng, x, lib, ck, active):
    kit = []
    for _ in range(int(rng.choice([1, 1, 2]))): kit = kit + list(lib.pick(rng, "drums"))
    if not any(n["piece"] in ("ride", "hat", "open") for n in kit) or rng.random() < .2: kit = kit + list(lib.by["drums"][rng.choice([k for k in lib.by["drums"] if "/" not in k] or list(lib.by["drums"]))])
    # one sample a piece family most of the time, with its own gain
    gain = {p: 10 ** (rng.normal(0, 5) / 20) for p in {n["piece"] for n in kit}}
    base = dict(kick=.5, snare=.6, stick=.4, hat=.35, pedal=.35, open=.35, ride=.45, bell=.4, crash=.5, tom=.5, stir=.5, brush=.5)
    style = rng.choice(["swing", "swing", "swing", "rock", "rock", "latin", "brush", "random", "sparse"])
    def h(p, beat, v=1.0):
        if active(beat, ck): hit(rng, x, kit, p, ck.t(beat) + jit(rng, .005), base[p] * gain.get(p, 1) * v * vel(rng, .2))
    cym = "ride" if rng.random() < .75 else ("hat" if rng.random() < .7 else "open")
    feather = rng.uniform(0, .6) if rng.random() < .7 else 0
    hat = rng.random() < .8; comp = rng.uniform(0, .4); onhat = "pedal" if rng.random() < .8 else "hat"
    swish = rng.random() < .3
    for bar in range(ck.bars):
        P = ck.per_bar; o = bar * P
        if rng.random() < .06: h("crash", o)
        fill = rng.random() < .1
        if style == "swing":
            for b in range(P):
                h(cym, o + b, 1.0 if b % 2 else .8)
                if b % 2 == 1:
                    h(cym, o + b + .5, .7)
                    if hat: h(onhat, o + b)
                if feather: h("kick", o + b, feather)
                if rng.random() < comp: h("snare", o + b + .5, rng.uniform(.2, 1))
                if rng.random() < comp * .3: h("kick", o + b + .5, rng.uniform(.4, 1.3))
        elif style in ("rock", "latin"):
            sub = .5 if rng.random() < .8 else 1
            for e in np.arange(0, P, sub): h("hat" if style == "rock" and not swish else cym, o + e, .7 if e % 1 else 1)
            for b in range(P):
                if style == "rock":
                    if b % 2 == 0: h("kick", o + b, 1.3)
                    else: h("snare", o + b, 1.3)
                    if rng.random() < .25: h("kick", o + b + .5, 1)
                else:
                    if b % 2 == 0: h("kick", o + b); h("kick", o + b + 1.5, .8)
                    if rng.random() < .5: h("stick", o + b + (.5 if rng.random() < .5 else 0))
                    if rng.random() < .2: h("tom", o + b + .5)
        elif style == "brush":
            for b in range(P):
                h("brush", o + b, .5 + .5 * (b % 2)); h("stir", o + b, .5)
                if hat and b % 2: h("pedal", o + b)
                if rng.random() < .3: h("brush", o + b + .5, .6)
                if rng.random() < .4: h("ride", o + b, .5)
        else:
            ps = [p for p in base if p in gain]
            for e in np.arange(0, P, .5):
                if rng.random() < (.5 if style == "random" else .12): h(ps[rng.integers(len(ps))], o + e)
        if fill:
            for e in np.arange(P - 2, P, .5 if rng.random() < .5 else 1 / 3): h("tom" if rng.random() < .5 else "snare", o + e, rng.uniform(.5, 1.4))


def chord_keys(rng, root, ch, lo, hi, n):
    pcs = [(root + c) % 12 for c in ch]; ks = [k for k in range(lo, hi) if k % 12 in pcs]
    if not ks: return []
    s = int(rng.integers(max(1, len(ks) - n + 1))); return ks[s:s + n]


def comp_rhythm(rng, P):
    opts = [[(b, .7) for b in range(P)], [(0, .5), (1.5, .5)], [(.5, .5), (2.5 if P > 2 else 1.5, .5)], [(1, .4), (3 % P + .5, .4)], [(0, float(P))], [(0, 1), (.5, .3), (1.5, .3), (2.5 % P, .5)],
            [(b / 2, .4) for b in range(2 * P)], [(float(rng.integers(2 * P)) / 2, rng.uniform(.2, 2)) for _ in range(int(rng.integers(1, 4)))], [(b, .35) for b in range(1, P, 2)], []]
    return opts[rng.integers(len(opts))]


def comp_part(rng, x, lib, ck, chords, active, cls, hits, crowded=False):
    """Chords or lines of guitar or keys into x; the moment of each, s, into hits. Crowded: full chords on most places of the bar, the same in each."""
    inst = lib.pick(rng, cls); det = rng.normal(0, 8); lo, hi = (43, 70) if cls == "guitar" else (46, 82); mode = rng.choice(["comp", "comp", "comp", "same", "solo", "arp", "both"]); fixed = comp_rhythm(rng, ck.per_bar) or [(0, .7)]
    strum = rng.uniform(0, .02) if cls == "guitar" else rng.uniform(0, .005); n = int(rng.integers(2, 6)); dens = rng.uniform(.4, .95); last = int(rng.integers(60, 80)); short = rng.uniform(.4, 1.2)
    rel = rng.uniform(.03, .25)
    if crowded:
        mode, n, often = "same", int(rng.integers(3, 6)), rng.uniform(.35, .95); lo, hi = (lo, hi) if cls == "guitar" else (int(rng.integers(46, 60)), 88)
        fixed = [(e / 2, rng.uniform(.3, .9)) for e in range(2 * ck.per_bar) if rng.random() < often] or fixed
    for bar in range(ck.bars):
        P = ck.per_bar; root, ch = chords[bar]; o = bar * P
        if mode in ("comp", "same", "both"):
            for b, d in (fixed if mode == "same" else comp_rhythm(rng, P)):
                if not active(o + b, ck): continue
                t = ck.t(o + b) + jit(rng); g = vel(rng, .25)
                chord = chord_keys(rng, root, ch, lo, hi, n)
                if chord: hits.append(t)
                for j, k in enumerate(chord): at_key(x, inst, k, t + j * strum, d * ck.beat * short, g * vel(rng, .1), rng, det, rel)
        if mode in ("solo", "arp", "both"):
            for e in np.arange(0, P, .5):
                if rng.random() > dens or not active(o + e, ck): continue
                if mode == "arp": ks = chord_keys(rng, root, ch, lo, hi, 6); k = ks[int(e * 2) % len(ks)] if ks else 60
                else: k = last = int(np.clip(last + rng.integers(-5, 6), 52 if cls == "guitar" else 55, 82 if cls == "guitar" else 94))
                t = ck.t(o + e) + jit(rng); hits.append(t)
                at_key(x, inst, k, t, rng.uniform(.3, 1.2) * ck.beat * .6, vel(rng, .25), rng, det, rel)


def horn_part(rng, x, lib, ck, chords, active):
    n = int(rng.choice([1, 1, 2, 3, 4, 5])); insts = [lib.pick(rng, "horns") for _ in range(n)]; det = [rng.normal(0, 12) for _ in insts]; mode = rng.choice(["riff", "riff", "unison", "shout", "pad", "solo", "mix"]) if n > 1 else rng.choice(["solo", "solo", "riff", "pad"])
    def fits(inst, k):
        lo, hi = inst[0]["midi"], inst[-1]["midi"]
        while k < lo - 2: k += 12
        while k > hi + 2: k -= 12
        return k
    rest = rng.uniform(0, .5); last = int(rng.integers(58, 74)); g = [vel(rng, .3) for _ in insts]
    for bar in range(ck.bars):
        if rng.random() < rest: continue
        P = ck.per_bar; root, ch = chords[bar]; o = bar * P; m = mode if mode != "mix" else rng.choice(["riff", "pad", "solo", "shout", "unison"])
        if m == "solo":
            i = int(rng.integers(n))
            for e in np.arange(0, P, .5):
                if rng.random() < .3 or not active(o + e, ck): continue
                last = int(np.clip(last + rng.integers(-5, 6), 50, 84)); k = fits(insts[i], last); d = rng.choice([.5, .5, 1, 2]) * ck.beat * .95
                at_key(x, insts[i], k, ck.t(o + e) + jit(rng), d, g[i] * vel(rng, .2), rng, det[i], .06)
            continue
        if m == "unison":
            for e in np.arange(0, P, .5):
                if rng.random() < .35 or not active(o + e, ck): continue
                last = int(np.clip(last + rng.integers(-5, 6), 50, 80)); d = rng.choice([.5, .5, 1, 2]) * ck.beat * .9
                for i, inst in enumerate(insts): at_key(x, inst, fits(inst, last), ck.t(o + e) + jit(rng, .012), d, g[i] * vel(rng, .15), rng, det[i], .06)
            continue
        if m == "pad": ev = [(0, P * .95)] if rng.random() < .6 else [(0, P * .48), (P / 2 if P % 2 == 0 else 1, P * .45)]
        elif m == "shout": ev = [(0, .6), (1.5, .9), (3 % P, .5)] if rng.random() < .5 else [(e, .4) for e in np.arange(0, P, .5) if rng.random() < (.5 if ck.bpm < FAST_BPM else .25)]
        else: ev = [(e, rng.uniform(.3, 2)) for e in np.arange(0, P, .5) if rng.random() < .3]
        for b, d in ev:
            if not active(o + b, ck): continue
            ks = chord_keys(rng, root, ch, 50, 82, n)
            for i, inst in enumerate(insts):
                k = fits(inst, ks[i % len(ks)] if ks and rng.random() < .9 else 60 + root)
                at_key(x, inst, k, ck.t(o + b) + jit(rng, .012), d * ck.beat, g[i] * vel(rng, .15), rng, det[i], .08)


FAST_BPM = 160   # wind players seldom repeat eighths from here on
CROWDED = .3     # share of the songs in which guitar or keys leave few places of the bar free, fast; half of these without horns


def song(rng, lib, seconds):
    """-> float32 [5, seconds * 48000], dry stems in the order of CLASSES (zeros where nobody plays); moments of the hits of guitar and of keys, s."""
    crowd = rng.random() < CROWDED; ck = Clock(rng, seconds, 130 if crowd else 60); n = int(seconds * RATE); out = np.zeros((5, n), np.float32); hits = [[], []]
    root = int(rng.integers(12)); chords = []
    for b in range(ck.bars):
        if rng.random() < .7: root = (root + int(rng.choice([5, 5, 7, 2, 9, 10, 1, 3]))) % 12
        chords.append((root, CHORDS[rng.integers(len(CHORDS))]))
    there = [p < q for p, q in zip(rng.random(5), (.88, .85, .6, .75, .72))]
    if not any(there): there[int(rng.integers(5))] = True
    who = 2 if rng.random() < .3 else 3
    if crowd: there[who], there[4] = True, rng.random() < .5
    def gate():
        """Plays all the time, or only before or after a bar line, or in some bars."""
        r = rng.random(); cut = int(rng.integers(1, max(2, ck.bars - 1))) * ck.per_bar
        if r < .6: return lambda b, c: True
        if r < .75: return lambda b, c: b < cut
        if r < .9: return lambda b, c: b >= cut
        on = rng.random(ck.bars + 2) < .6
        return lambda b, c: bool(on[int(b // c.per_bar)])
    if there[0]: bass_part(rng, out[0], lib, ck, chords, gate())
    if there[1]: drum_part(rng, out[1], lib, ck, gate())
    if there[2]: comp_part(rng, out[2], lib, ck, chords, gate(), "guitar", hits[0], crowd and who == 2)
    if there[3]: comp_part(rng, out[3], lib, ck, chords, gate(), "keys", hits[1], crowd and who == 3)
    if there[4]: horn_part(rng, out[4], lib, ck, chords, gate())
    return out, hits
