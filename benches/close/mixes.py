#!/usr/bin/env python3
"""Rehearsals heard by a recorder in the room and by recorders close to single players, with truth from the dry stems.
usage: mixes.py RENDERER OUT [FIRST LAST] [--tuned] [--made]
RENDERER: folder of the tape renderer (render_tapes.py, and the kit of real notes beside it). One folder a mix under OUT: five recordings,
a band.toml that declares the close ones, truth.json. --tuned: the bass plays its open strings before the take. --made: a bass by formula
instead of recorded or sampled notes, whose pitch is exact. Needs ffmpeg, and what the renderer needs."""
import json, os, subprocess, sys
import numpy as np, scipy.signal as ss, soundfile as sf, pyloudnorm
sys.path.insert(0, sys.argv[1]); import render_tapes as R
TUNED, MADE = ("--" + word in sys.argv for word in ("tuned", "made")); sys.argv = [a for a in sys.argv if not a.startswith("--")]
FS = R.FS; OUT = sys.argv[2]; BEGIN_S = 18.0 if TUNED else 9.0  # of the take
first, last = (int(sys.argv[3]), int(sys.argv[4])) if len(sys.argv) > 4 else (0, 14)
BASSES = ["bass_upright/meatbass", "bass_electric/flatwound", "gm:bass_upright", "bass_upright/smolken", "bass_electric/growly", "gm:bass_electric", "bass_electric/yr"]
LAYER = R.LAYER
def onset10(x, notes, lead=.03):
    """Where each note of a dry stem has a tenth of its largest amplitude (first 150 ms), s; None where the one before still sounds."""
    out = []
    for t in notes:
        a, b = int((t - lead) * FS), int((t + .15) * FS)
        y = np.abs(x[max(0, a):b]); before = y[: int(.02 * FS)].max(initial=0); top = y.max(initial=0)
        out.append(None if before > .05 * top or top <= 0 else (max(0, a) + int(np.argmax(y > .1 * top))) / FS)
    return out
def period(x, lowest, highest):
    """Period of a frame in samples by the cumulative mean normalised difference (de Cheveigne and Kawahara 2002); None without one."""
    most = int(FS / lowest) + 2; n = len(x) - most; size = 1 << int(np.ceil(np.log2(len(x) + n))); x = x.astype(np.float64)
    r = np.fft.irfft(np.fft.rfft(x, size) * np.conj(np.fft.rfft(x[:n], size)), size)[:most + 1]; c = np.concatenate([[0], np.cumsum(x * x)])
    d = c[n] + c[n:n + most + 1] - c[:most + 1] - 2 * r; cm = np.ones(most + 1); cm[1:] = d[1:] * np.arange(1, most + 1) / np.maximum(np.cumsum(d[1:]), 1e-20)
    first = max(2, int(FS / highest) - 1); under = np.flatnonzero(cm[first:most] < .12)
    k = first + (int(under[0]) if len(under) else int(np.argmin(cm[first:most])))
    while len(under) and k + 1 < most and cm[k + 1] < cm[k]: k += 1
    bend = cm[k - 1] - 2 * cm[k] + cm[k + 1]
    return k + .5 * (cm[k - 1] - cm[k + 1]) / bend if cm[k] <= .15 and bend > 0 else None
def sounds(x, note):
    """Middle of the periods of a note's dry sound from 0.1 s after its onset on, every 20 ms, in cents from its key; None under two frames."""
    f = 440 * 2 ** ((note[2] - 69) / 12); length = int(max(.05, 3 / f) * FS) + int(FS / (.72 * f)) + 2
    starts = range(int((note[0] + .1) * FS), int((note[0] + min(note[1], 1.6)) * FS) - length + 1, int(.02 * FS))
    found = [p for p in (period(x[s:s + length], .72 * f, 1.4 * f) for s in starts if s + length <= len(x)) if p]
    return float(np.median(1200 * np.log2(FS / np.array(found) / f))) if len(found) > 1 else None
def played(cents):
    """What the synthesiser makes of a bend of so many cents: a fourteen-bit wheel over 200 cents, then whole cents downwards (measured: 10.2 to 11.0 all
    sound 10.0). A label that keeps the fraction is half a cent sharp in the mean."""
    return float(np.floor(round(cents / 200 * 8192) / 8192 * 200 - .02))
def stiff_bass(rng):
    """A bass by formula: of each string the stiffness (f_n = n f sqrt(1 + B n^2); B grows with 1 / length^2), place of the pluck, decay, and by how
    many cents all partials begin sharp and how fast they fall. B is a tenth of what is usual (open about 2e-4 on the lowest string, Kemp 2020, SN
    Applied Sciences 2:636), so that fundamental and period of a note, which lie up to 4 cents apart on real strings, agree within 0.5."""
    return dict(b=[float(v) for v in np.array([2e-5, 1.2e-5, 7e-6, 4e-6]) * rng.uniform(.5, 1.5)], pluck=float(rng.uniform(.1, .3)), fall=float(rng.uniform(1, 4)),
                damp=float(rng.uniform(.1, .5)), sharp=float(rng.choice([0, rng.uniform(1, 10)])), come_s=float(rng.uniform(.1, .4)))
def made_note(rng, bass, note, cents):
    """One note; its fundamental comes to rest `cents` from its key exactly."""
    t, d, key, vel, string = note; n = int((d + .06) * FS); s = np.arange(n) / FS; b = bass["b"][string] * 2 ** ((key - R.BASS_STRINGS[string]) / 6)
    f = 440 * 2 ** ((key - 69 + cents / 100) / 12) / np.sqrt(1 + b); bent = np.cumsum(2 ** (bass["sharp"] * np.exp(-s / bass["come_s"]) / 1200)) / FS; y = np.zeros(n)
    for k in range(1, 31):
        hz = k * f * np.sqrt(1 + b * k * k)
        if hz < 5000: y += np.sin(np.pi * k * bass["pluck"]) / k * np.exp(-s * (bass["fall"] + bass["damp"] * k)) * np.sin(2 * np.pi * hz * bent + rng.uniform(0, 2 * np.pi))
    y *= np.minimum(1, s / .004); m = int(.06 * FS); y[-m:] *= np.linspace(1, 0, m)
    return .25 * y / np.max(np.abs(y)) * 10 ** ((vel - 90) / 60)
def made_stem(rng, notes, bass, bend, dur):
    """Stem and true cents: as the kit measures recorded notes, the middle of the note alone from 0.1 to 1.6 s."""
    x = np.zeros(int((dur + 5) * FS)); cents = []; middle = bass["sharp"] * np.exp(-.85 / bass["come_s"])
    for q in notes:
        rest = bend(q[0], q[4]); y = made_note(rng, bass, q, rest); o = int(q[0] * FS); x[o:o + len(y)] += y; cents.append(float(rest + middle))
    return x[: int(dur * FS)], cents
def weighted(x):
    """K-weighted mean squares of tenths of a second (BS.1770's filters by pyloudnorm)."""
    for f in pyloudnorm.Meter(FS)._filters.values(): x = f.apply_filter(x)
    step = FS // 10
    return [float(f"{v:.6g}") for v in (x[: len(x) // step * step] ** 2).reshape(-1, step).mean(1)]
def reclock(x, late_s, ppm):
    step = 1 + ppm * 1e-6; n = int((len(x) - late_s * FS) / step) - 40
    pos = late_s * FS + np.arange(n) * step; k = pos.astype(int); fr = pos - k
    y = np.zeros(n); taps = np.arange(-15, 17)
    xp = np.pad(x, (16, 32))
    for tp in taps:
        d = fr - tp; w = np.sinc(d) * (0.5 + 0.5 * np.cos(np.pi * d / 16.5)); y += w * xp[16 + k + tp]
    return y
def ir(rng, rt, drr, delay_s):
    h = R.room_ir(rng, rt, drr); return np.pad(h, (int(round(delay_s * FS)), 0))
def write(path, x, fmt, peak):
    x = x * 10 ** (peak / 20) / np.max(np.abs(x)); w = path + ".wav"
    sf.write(w, x.astype(np.float32), FS, subtype="PCM_16")
    args = dict(flac=["-c:a", "flac"], mp3=["-b:a", "160k"], m4a=["-b:a", "160k"], ogg=["-c:a", "libvorbis", "-q:a", "5"], wav=None)[fmt]
    if args: subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", w, *args, path + "." + fmt], check=True); os.remove(w)
    return os.path.basename(path + "." + fmt)
def coded(path, x, peak):
    """How much louder the file is than what was written (encoders turn down before they code): square root of the ratio of the powers."""
    raw = subprocess.run(["ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-ac", "1", "-ar", str(FS), "-"], check=True, capture_output=True).stdout
    return np.sqrt(np.mean(np.frombuffer(raw, np.float32).astype(np.float64) ** 2) / np.mean((x * 10 ** (peak / 20) / np.max(np.abs(x))) ** 2))
for n in range(first, last):
    rng = np.random.default_rng(7000 + n)
    band = ["bass", "guitar", "piano", "drums", "trumpet", "trombone"] if n % 4 != 3 else ["bass", "piano", "drums", "trumpet", "alto", "tenor"]
    voice = BASSES[n % len(BASSES)]
    spec = dict(name=f"c{n}", seed=7000 + n, players=band, voice={}, kit={}, tuning={"bass": {"cents": float(rng.uniform(-25, 25)), "per_min": float(rng.uniform(-2, 2)), "strings": [float(v) for v in rng.uniform(-9, 9, 4)] if n % 2 else [0] * 4}, "guitar": {"cents": float(rng.uniform(-8, 8))}})
    made = stiff_bass(np.random.default_rng(8000 + n)) if MADE else None
    if voice.startswith("gm:"): spec["voice"]["bass"] = voice[3:]
    else: spec["kit"]["bass"] = voice
    if n % 3 == 1 and "guitar" in band: spec["kit"]["guitar"] = "guitar/archtop"
    if n % 3 == 2: spec["kit"]["piano"] = "piano/grand"
    lag = float(rng.choice([-18, -9, 0, 8, 15, 24]))
    secs = [dict(label="head", horns="melody"), dict(label="solo", players=[p for p in band if p in ("bass", "guitar", "piano", "drums")]), dict(label="shout", horns="shout", level={"trumpet": 5, "trombone": 4, "drums": 4, "bass": float(rng.uniform(-4, 4))})]
    it = dict(kind="take", title="x", bpm=float(rng.uniform(105, 185)), sections=secs, swing=float(rng.uniform(1.6, 2.4)), bass_lag_ms=lag, key=int(rng.integers(53, 64)), gtr="sync" if n % 2 else "four", kick=int(rng.choice([30, 45, 70])), rock=n == 6)
    notes = {i: [] for i in sorted(set(band) | {"drums", "bass", "guitar"})}; beats, parts = [], []
    if TUNED: notes["bass"] += [(9.1 + 1.45 * i, 1.25, key, 88, i) for i, key in enumerate(R.BASS_STRINGS)]
    end = R.take_notes(rng, it, BEGIN_S, notes, beats, parts, spec); dur = end + 6.0
    tun = spec["tuning"]
    bend = lambda i: (lambda t, s: tun.get(i, {}).get("cents", 0) + tun.get(i, {}).get("per_min", 0) * t / 60 + tun.get(i, {}).get("strings", [0] * 8)[s % 4])
    gain = dict(bass=4, guitar=1, piano=6, drums=13, trumpet=3, trombone=2, alto=2, tenor=2)
    stems, tn = {}, {}
    for i in band:
        ns = sorted(notes[i])
        on = [None] * len(ns)
        if i == "bass":
            # Every other note apart, so that each begins in silence: where it has a tenth of its largest amplitude.
            x = np.zeros(int(dur * FS)); cs = [0.0] * len(ns); pr = R.PROG[spec["voice"].get("bass", "bass_upright")]
            ke = R.key_errors(R.FONT, pr, sorted({int(q[2]) for q in ns})) if not spec["kit"].get(i) and not made else {}
            for half in (0, 1):
                part = ns[half::2]
                if made: y, c = made_stem(rng, part, made, bend(i), dur)
                elif spec["kit"].get(i): y, c = R.kit_stem(rng, part, spec["kit"][i], bend(i), dur)
                else: y = R.midi_stem(part, None, pr, False, bend(i), R.FONT, dur); c = [played(bend(i)(q[0], q[4])) + ke[int(q[2])] for q in part]
                y = y[: int(dur * FS)]; x += y; cs[half::2] = c; on[half::2] = onset10(y, [q[0] for q in part])
        elif spec["kit"].get(i) and ns: x, cs = R.kit_stem(rng, ns, spec["kit"][i], bend(i), dur)
        else:
            pr = 0 if i == "drums" else R.PROG[spec["voice"].get(i, i)]
            x = R.midi_stem(ns, None, pr, i == "drums", bend(i), R.FONT, dur)
            ke = R.key_errors(R.FONT, pr, sorted({int(q[2]) for q in ns})) if i != "drums" else {}
            cs = [played(bend(i)(q[0], q[4])) + ke.get(int(q[2]), 0) for q in ns]
        stems[i] = x[: int(dur * FS)].astype(np.float64) * 10 ** ((gain[i] + rng.uniform(-5, 5)) / 20)
        heard = [sounds(stems[i], q) if i == "bass" else None for q in ns]
        tn[i] = [dict(t=float(q[0]), d=float(q[1]), key=int(q[2]), string=int(q[4]), cents=float(c), on=o, sounds=h) for q, c, o, h in zip(ns, cs, on, heard)]
    dist = {i: float(rng.uniform(1.5, 7)) for i in band}
    rt = float(rng.uniform(.4, .9)); drr0 = float(rng.uniform(-1, 7))
    L = len(next(iter(stems.values())))
    put = lambda x, h: ss.fftconvolve(x, h)[:L]
    room = {i: put(stems[i], ir(rng, rt, drr0 + rng.uniform(-2, 2), dist[i] / 343)) for i in band}
    # Talk before and after, in the room.
    import tempfile
    with tempfile.TemporaryDirectory() as td:
        talk = np.zeros(L); y = R.speak(rng, 8, td); talk[int(.5 * FS):int(.5 * FS) + len(y)] += y
    talk *= .2
    mix = sum(room.values()) + put(talk, ir(rng, rt, 3, .006)); scale = 10 ** (-3 / 20) / np.max(np.abs(mix))
    noise = rng.standard_normal(L); mix = mix * scale + noise / np.std(noise) * 10 ** (-64 / 20)
    d = f"{OUT}/c{n}"; os.makedirs(d, exist_ok=True)
    fmts = ["flac", "mp3", "m4a", "ogg", "wav"]
    date = f"2026-{1 + n // 28:02d}-{1 + n % 28:02d}"
    files = {"room": write(f"{d}/{date} room", mix, fmts[n % 5], -3)}
    # mix was at -3 dBFS peak already up to noise; keep its exact scale for the truth
    scale *= 10 ** (-3 / 20) / np.max(np.abs(mix)) * coded(f"{d}/{files['room']}", mix, -3)
    toml = ""; close_truth = {}
    rms = lambda x: np.sqrt(np.mean(x[int(BEGIN_S * FS):int(end * FS)] ** 2))
    for k, p in enumerate([p for p in ("bass", "drums", "guitar", "piano") if p in band]):
        spill_db = float(rng.uniform(10, 25)); own = put(stems[p], ir(rng, .3, 12, .001))
        sp = sum(put(stems[j], ir(rng, rt, rng.uniform(-4, 4), .001 + rng.uniform(1, 5) / 343)) for j in band if j != p) + .5 * put(talk, ir(rng, rt, 0, .01))
        sp *= rms(own) / rms(sp) * 10 ** (-spill_db / 20)
        ppm = float(rng.choice([80, -80, 35, -50])); late = float(rng.uniform(0, 4))
        y = own + sp; nz = rng.standard_normal(L); y = y + nz * rms(y) * 10 ** (-60 / 20)
        files[p] = write(f"{d}/{date} at the {p}", reclock(y, late, ppm), fmts[(n + k + 1) % 5], float(rng.uniform(-12, -1)))
        close_truth[p] = dict(spill_db=spill_db, ppm=ppm, late_s=late)
        toml += f'[[recording]]\nfile = "{files[p]}"\nclose_to = "{p}"\n'
    open(f"{d}/band.toml", "w").write(toml)
    lay = {}
    for i in band: lay.setdefault(LAYER[i], []).append(i)
    powers = {l: weighted(sum(room[i] for i in v) * scale) for l, v in lay.items()}
    ride = {}
    for key in (51, 42, 36):
        y = R.midi_stem([(.5, .2, key, 85, 0)], None, 0, True, bend("drums"), R.FONT, 1.2); ride[key] = 1000 * (onset10(y, [.5])[0] - .5)
    # Bass against drums: nominal, and by the sound itself (a tenth of the largest amplitude) of the dry stems.
    strokes = np.array([q["t"] + ride[q["key"]] / 1000 for q in tn["drums"] if q["key"] in ((42,) if it.get("rock") else (51,))])
    apart = [1000 * (q["on"] - strokes[np.argmin(abs(strokes - q["on"]))]) for q in tn["bass"] if q["on"]]
    apart = [v for v in apart if abs(v) < 70]
    truth = dict(name=f"c{n}", bass="made" if made else voice, made=made, bpm=it["bpm"], take=[parts[0]["start"], parts[-1]["end"]], parts=parts, layer_powers=powers, notes=tn, lag_ms=lag, sound_lag_ms=float(np.median(apart)), sound_n=len(apart), ride_rise_ms=ride, dist_m=dist, beats=beats,
                 travel_ms=1000 * (dist["bass"] - dist["drums"]) / 343, spill=close_truth, files=files, rt=rt, drr=drr0)
    json.dump(truth, open(f"{d}/truth.json", "w"))
    print(n, voice, 'lag', lag, 'sound', np.median(apart), len(apart), ride, round(it["bpm"]), lag, files, flush=True)
