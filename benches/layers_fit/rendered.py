#!/usr/bin/env python3
"""Takes of the shared renderer with their stems, remixed: windows for the last fit of the layer network (settle.py) and of its hits (settle_hits.py).

usage: rendered.py RENDERER OUT SEED COUNT [--mixes 3] [--without PREFIX,...]
RENDERER: folder of render_tapes.py, the kit beside it. The music and the players are those of ../tuning_fit/mixes.py, with more crowded
keys, wider levels and further horns; each take is mixed anew --mixes times: every player in a room of its own, other balance, noise, recorder and codec. --without
leaves out takes in which a recorded instrument of that name plays (to see what the fit gives to players it has not heard).
needs: what the renderer needs, and three General-MIDI sound fonts of Debian's packages. OUT/SEED-K.npz, one for about 150 windows as they are made: x [windows, 272, 468],
share (8 bit), total, level as augment.py makes them, hits (of guitar and keys, hit_grid.py).
"""
import argparse, io, multiprocessing, os, random, sys
os.environ.setdefault("OMP_NUM_THREADS", "1"); os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np, scipy.signal as ss, soundfile as sf
HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE + "/../tuning_fit")
import features as F
import shards
from hit_grid import SLOT, on_grid

STEPS = 468
LAYER = dict(bass=0, drums=1, guitar=2, piano=3, trumpet=4, trombone=4, alto=4, tenor=4)
PLAYED_BY = dict(trumpet=[56, 56, 56, 59], trombone=[57], alto=[65, 65, 64], tenor=[66, 66, 67])   # General-MIDI programs, from 0
SHARD = 150
SOFT = (.15, .05, .08, .08, .15)   # how often a player is far softer than usual


def scenario(chance, number):
    import mixes
    s = mixes.scenario(chance, 0, "x", number); item = next(i for i in s["items"] if i["kind"] == "take")
    item["clutter"] = chance.random() < .45; item["bpm"] = chance.uniform(72, 250); item["hat"] = chance.random() < .8
    if chance.random() < .25: item["sections"] = [dict(label="solo", players=[p for p in s["players"] if p in mixes.RHYTHM]), dict(label="shout", horns="shout")]
    for p, programs in PLAYED_BY.items(): s["voice"][p] = chance.choice(programs)
    return s, item


def dry(R, rng, s, item):
    """The players' stems without a room, 44.1 kHz; moments of the hits of guitar and keys, s."""
    notes = {p: [] for p in s["players"]} | {"drums": [], "bass": [], "guitar": []}; end = R.take_notes(rng, item, .1, notes, [], [], s) + .8; out = {}
    for p in s["players"]:
        drums = p == "drums"; t = s["tuning"].get(p, {})
        def bend(at, string): return t.get("cents", 0) + t.get("per_min", 0) * at / 60 + t.get("strings", [0] * 8)[string] + s["a4_cents"]
        if s["kit"].get(p): x = R.kit_stem(rng, sorted(notes[p]), s["kit"][p], bend, end)[0]
        else: x = R.midi_stem(sorted(notes[p]), None, 0 if drums else program(R, s["voice"].get(p, p)), drums, bend, s["font"], end)
        out[p] = x * 10 ** (s["gain"].get(p, 0) / 20)
    return out, [[n[0] for n in notes.get(p, [])] for p in ("guitar", "piano")]


def program(R, voice): return voice if isinstance(voice, int) else R.PROG[voice]


def coded(chance, x):
    """Through a lossy codec and back, in 3 of 5 cases: MP3 at 100 to 160 kbit/s, Vorbis at 65 to 90 a channel."""
    kind = chance.choice(["MP3", "MP3", "OGG", None, None]); level = chance.uniform(.5, .75) if kind == "MP3" else chance.uniform(.3, .8)
    if not kind: return x
    mode = dict(bitrate_mode="CONSTANT", subtype="MPEG_LAYER_III") if kind == "MP3" else dict(subtype="VORBIS")
    with io.BytesIO() as b:
        with sf.SoundFile(b, "w", F.RATE, 1, format=kind, compression_level=level, **mode) as f:
            for block in np.split(np.clip(x, -1, 1), range(1 << 15, len(x), 1 << 15)): f.write(block)   # the encoder keeps what is written at once on the stack
        b.seek(0); y = sf.read(b, dtype="float32")[0][:len(x)]
    return np.pad(y, (0, len(x) - len(y)))


def tone(chance):
    """A smooth random response of a player's place or sound, dB over log frequency, as a short filter."""
    f = np.array([0, 60, 150, 400, 1000, 2500, 6000, 12000, 24000]); g = np.array([chance.gauss(0, 2.5) for _ in f]); return ss.firwin2(1023, f, 10 ** (g / 20), fs=F.RATE)


def mixed(R, chance, rng, s, players):
    """-> layers [6, n] at 48 kHz as recorded, and the recording."""
    rt, drr = chance.uniform(.2, 1.4), chance.uniform(-2, 10); n = len(next(iter(players.values()))); m = int(n * 160 / 147); layers = np.zeros((6, m), np.float32)
    for p, x in players.items():
        x = ss.resample_poly(x, 160, 147)[:m].astype(np.float32)
        wet = ss.fftconvolve(x, R.room_ir(rng, rt, drr + chance.uniform(-2, 2), F.RATE))[:m]
        db = chance.gauss(0, 2.5) - (chance.uniform(3, 10) if chance.random() < SOFT[LAYER[p]] else 0)
        if chance.random() < .6: wet = ss.oaconvolve(wet, tone(chance), "same")
        layers[LAYER[p]] += wet * 10 ** (db / 20)
    layers *= 10 ** (chance.uniform(-9, -1) / 20) / np.abs(layers.sum(0)).max()
    noise = ss.sosfilt(ss.butter(1, 400, fs=F.RATE, output="sos"), rng.standard_normal(m)); layers[5] = noise / np.std(noise) * 10 ** (chance.uniform(-66, -46) / 20)
    if chance.random() < .15: t = np.arange(m) / F.RATE; f = chance.choice([50, 60]); layers[5] += 10 ** (chance.uniform(-60, -46) / 20) * (np.sin(2 * np.pi * f * t) + .5 * np.sin(4 * np.pi * f * t))
    if chance.random() < .3: layers = ss.sosfilt(ss.butter(2, chance.uniform(40, 160), "hp", fs=F.RATE, output="sos"), layers, axis=1)
    if chance.random() < .15:
        w = 1 / (F.RATE * .4); e = np.sqrt(ss.lfilter([w], [1, w - 1], layers.sum(0) ** 2) + 1e-8); layers = layers * np.clip(.12 / e, .2, 6)
    if chance.random() < .1: layers = layers * 10 ** (chance.uniform(2, 6) / 20) / np.abs(layers.sum(0)).max()
    return layers.astype(np.float32), coded(chance, np.clip(layers.sum(0), -1, 1)).astype(np.float32)


def powers(x):
    steps = int(np.ceil(len(x) / F.HOP)) // 2; p = F.pool(F.power_frames(x, F.SHORT, F.HOP, 2 * steps)); return (p[0::2] + p[1::2]) / 2


def windows(layers, mix, hits):
    x, p = F.features(mix); level = F.running_level(p @ F.band_k_weights()) + 1e-20; st = np.stack([powers(l) for l in layers]); whole = st.sum(0); out = []
    for a in range(0, len(x) - STEPS // 2, STEPS):
        b = min(a + STEPS, len(x)); a = b - STEPS; l = level[a:b]
        if a < 0: continue
        at = a * 2 * F.HOP / F.RATE
        out.append(dict(x=np.clip(x[a:b].T, -8, 8).astype(np.float16), share=np.round(st[:, a:b].transpose(0, 2, 1) / (whole[a:b].T + 1e-30) * 255).astype(np.uint8),
            total=np.clip(np.log10(whole[a:b] / l[:, None] + F.FLOOR), -6, 8).T.astype(np.float16), level=np.clip(np.log10(l / l.mean()), -6, 3).astype(np.float16),
            hits=np.stack([on_grid([t - at for t in h], STEPS * 2 * F.HOP // SLOT) for h in hits])))
    return out


def one(task):
    import render_tapes as R
    seed, number, count, without = task; chance = random.Random(f"{seed} {number}"); rng = np.random.default_rng([seed, number]); s, item = scenario(chance, number)
    if any(k.startswith(w) for k in s["kit"].values() for w in without): return []
    players, hits = dry(R, rng, s, item)
    return [w for _ in range(count) for w in windows(*mixed(R, chance, rng, s, players), hits)]


def stacked(found): return {k: np.stack([w[k] for w in found]) for k in found[0]}


if __name__ == "__main__":
    ap = argparse.ArgumentParser(); ap.add_argument("renderer"); ap.add_argument("out"); ap.add_argument("seed", type=int); ap.add_argument("count", type=int); ap.add_argument("--mixes", type=int, default=3); ap.add_argument("--without", default="")
    A = ap.parse_args(); sys.argv = ["", A.renderer]; sys.path.insert(0, A.renderer); without = [w for w in A.without.split(",") if w]
    os.makedirs(A.out, exist_ok=True); found, shard, total = [], 0, 0
    with multiprocessing.Pool(os.cpu_count()) as pool:
        for made in pool.imap_unordered(one, [(A.seed, i, A.mixes, without) for i in range(A.count)]):
            found += made
            if len(found) >= SHARD: shards.write(f"{A.out}/{A.seed}-{shard}", stacked(found)); total += len(found); found, shard = [], shard + 1
    if found: shards.write(f"{A.out}/{A.seed}-{shard}", stacked(found))
    print(total + len(found), "windows")
