#!/usr/bin/env python3
"""Mixes with known truth for the low end and the amp advice: one take a base, and twins of it that differ in one filter.

usage: render_grid.py RENDERER_FOLDER OUT [FIRST LAST] [--seed N]
RENDERER_FOLDER holds `render_tapes.py` (renders a scenario to stems and a mix). Every base is another bass, chart, key,
tempo, room and balance; its twins filter the bass stem alone (amplifier: cookbook low shelf) or put a narrow peak at the
pitch of one of its notes (room: at the bass stem, as heard by the microphone). Writes WAV files and `BASE.json` with the
truth: filter, low end against middle, and the shares of bass, kick and the rest in 40-160 Hz. Other seeds give other bases.
"""
import json, os, sys
import numpy as np, scipy.signal as ss, soundfile as sf

PROGRAMS = dict(bass_picked=34, bass_fretless=35)
FLUID, TIM = "/usr/share/sounds/sf2/FluidR3_GM.sf2", "/usr/share/sounds/sf2/TimGM6mb.sf2"
BASSES = [("voice", "bass_upright", FLUID), ("voice", "bass_electric", FLUID), ("kit", "bass_upright/meatbass", FLUID),
          ("kit", "bass_upright/smolken", FLUID), ("kit", "bass_electric/flatwound", FLUID), ("kit", "bass_electric/growly", FLUID),
          ("voice", "bass_upright", TIM), ("voice", "bass_electric", TIM), ("voice", "bass_picked", FLUID), ("voice", "bass_fretless", FLUID)]
HORNS = ["trumpet", "trombone", "alto", "tenor"]
FS = 44100


def scenario(i, seed):
    rng = np.random.default_rng([seed, i])
    how, bass, font = BASSES[i % len(BASSES)]
    kit = how == "kit"
    players = ["bass", "piano", "drums"] + (["guitar"] if rng.random() < .8 else []) + list(rng.permutation(HORNS)[: int(rng.integers(1, 5))])
    gain = dict(bass=(5 if kit else 3) + rng.uniform(-3, 4), guitar=1, piano=9, drums=13 + rng.uniform(-3, 4), trumpet=3, trombone=2, alto=2, tenor=2)
    take = dict(kind="take", title="", bpm=float(rng.uniform(96, 210)), swing=float(rng.uniform(1.4, 2.8)), key=int(rng.integers(50, 62)),
                form="blues" if rng.random() < .6 else "song", kick=float(rng.choice([38, 55, 80, 105])), rock=bool(rng.random() < .12),
                gtr=str(rng.choice(["four", "sync"])), sections=[dict(label="a", horns=str(rng.choice(["melody", "shout"])), level=dict(bass=float(rng.uniform(-4, 4))))])
    if take["bpm"] > 150: take["sections"].append(dict(label="b", players=[p for p in players if p not in HORNS]))
    spec = dict(name=f"base{i:03}", seed=int(rng.integers(1 << 30)), players=players, gain=gain, rt60=float(rng.uniform(.35, 1.3)), drr_db=float(rng.uniform(0, 8)),
                items=[dict(kind="silence", dur=1.0), take, dict(kind="silence", dur=1.0)], write_stems=True, format="wav", noise_dbfs=float(rng.uniform(-66, -52)),
                tuning=dict(bass=dict(cents=float(rng.uniform(-20, 20)))), font=font)
    if kit: spec["kit"] = dict(bass=bass)
    else: spec["voice"] = dict(bass=bass)
    return spec, rng


def twins(rng, truth):
    out = [dict(kind="flat")]
    for db in (-8, -6, -4, -2, 2, 4, 6, 8):
        if abs(db) in (4, 8) or rng.random() < .3:
            out.append(dict(kind="shelf", hz=float(rng.choice([80, 90, 100, 110, 120, 130, 140])), db=float(db)))
    keys = [n["key"] for n in truth["notes"]["bass"]]
    often = [k for k in sorted(set(keys)) if keys.count(k) >= 3]
    for at in ("bass", "microphone"):
        k = int(rng.choice(often))
        cents = np.median([n["cents"] for n in truth["notes"]["bass"] if n["key"] == k])
        out.append(dict(kind="mode", at=at, key=k, hz=float(440 * 2 ** ((k - 69 + cents / 100) / 12)), db=float(rng.choice([8, 10, 12])), q=float(rng.choice([8, 12, 16]))))
    return out


def band(x, lo, hi):
    f, p = ss.welch(x, FS, nperseg=16384)
    return float(p[(f >= lo) & (f < hi)].sum())


def main():
    args = sys.argv[1:]
    seed = int(args[args.index("--seed") + 1]) if "--seed" in args else 1
    if "--seed" in args: del args[args.index("--seed"):args.index("--seed") + 2]
    sys.path.insert(0, args[0])
    import render_tapes as r
    r.PROG.update(PROGRAMS)
    out = args[1]; first, last = (int(a) for a in args[2:4]) if len(args) >= 4 else (0, 40)
    for i in range(first, last):
        spec, rng = scenario(i, seed)
        if os.path.exists(f"{out}/{spec['name']}.json"): continue
        mix = r.render(spec, out, spec["font"])
        truth = json.load(open(f"{out}/{spec['name']}.truth.json"))
        stems = {p: sf.read(f"{out}/{spec['name']}.stem-{p}.wav", dtype="float32")[0] for p in spec["players"]}
        rest = mix - stems["bass"]
        a, b = (int(truth["takes"][0][k] * FS) for k in ("start", "end"))
        rows = []
        for n, t in enumerate(twins(rng, truth)):
            bass, others, drums = stems["bass"], rest, stems["drums"]
            if t["kind"] == "shelf": bass = r.shelf(bass, t["hz"], t["db"])
            if t["kind"] == "mode":
                bass = r.peak(bass, t["hz"], t["db"], t["q"])
                if t["at"] == "microphone": others, drums = r.peak(others, t["hz"], t["db"], t["q"]), r.peak(drums, t["hz"], t["db"], t["q"])
            x = bass + others
            g = .7 / np.max(np.abs(x))
            t["file"] = f"{spec['name']}-{n:02}-{t['kind']}.wav"
            sf.write(f"{out}/{t['file']}", (x * g).astype(np.float32), FS, subtype="PCM_16")
            y = (x * g)[a:b]
            low = [band((s * g)[a:b], 40, 160) for s in (bass, drums, x - bass - drums)]
            t["low_re_mid_db"] = 10 * np.log10(band(y, 40, 160) / band(y, 400, 2500))
            t["low_end_share"] = dict(zip(("bass", "kick", "other"), [v / sum(low) for v in low]))
            rows.append(t)
        json.dump(dict(bass=BASSES[i % len(BASSES)][1] + ("@tim" if BASSES[i % len(BASSES)][2] == TIM else ""), base=spec["name"], take=[truth["takes"][0]["start"], truth["takes"][0]["end"]], notes=[(n["t"], n["d"], n["key"]) for n in truth["notes"]["bass"]], scenario={k: spec[k] for k in ("gain", "rt60", "drr_db", "players")}, twins=rows), open(f"{out}/{spec['name']}.json", "w"))
        for p in spec["players"]: os.remove(f"{out}/{spec['name']}.stem-{p}.wav")
        os.remove(f"{out}/{spec['name']}.wav"); print(spec["name"], len(rows), flush=True)


if __name__ == "__main__":
    main()
