#!/usr/bin/env python3
"""Recordings close to bass and guitar with known truth for the mid and high controls.

usage: render_close.py RENDERER_FOLDER OUT PAIRS [--seed N]
Base i and base i + 10 of `render_grid.py` have the same bass (and guitar), another tune, key, tempo and room. Of the first the
player's stem with the band 20 dB under it is the recording that a target is learnt from; of the second the same is filtered by the
cookbook's mid peak (500 Hz, quality 0.7) and high shelf (2500 Hz, slope 1) before the band is added. Writes
OUT/target/PLAYER-i.wav, OUT/tape/PLAYER-i-TWIN.wav and OUT/truth.json. `run_close.py` holds the program against it.
"""
import json, os, sys
import numpy as np, scipy.signal as ss, soundfile as sf
import render_grid as g

TWINS = [(0, 0), (6, 0), (-6, 0), (0, 6), (0, -6), (4, -4), (-4, 4)]
LEAK_DB = -20.0


def cookbook(kind, f0, db, fs=g.FS):
    a = 10 ** (db / 40); w = 2 * np.pi * f0 / fs; c = np.cos(w)
    if kind == "peak":
        al = np.sin(w) / (2 * .7)
        return [1 + al * a, -2 * c, 1 - al * a], [1 + al / a, -2 * c, 1 - al / a]
    al = np.sin(w) / 2 * np.sqrt(2); s = 2 * np.sqrt(a) * al
    return ([a * ((a + 1) + (a - 1) * c + s), -2 * a * ((a - 1) + (a + 1) * c), a * ((a + 1) + (a - 1) * c - s)],
            [(a + 1) - (a - 1) * c + s, 2 * ((a - 1) - (a + 1) * c), (a + 1) - (a - 1) * c - s])


def filtered(x, mid, high):
    for kind, hz, db in (("peak", 500, mid), ("shelf", 2500, high)):
        if db: b, a = cookbook(kind, hz, db); x = ss.lfilter(b, a, x)
    return x


def main():
    args = sys.argv[1:]
    seed = int(args[args.index("--seed") + 1]) if "--seed" in args else 4
    if "--seed" in args: del args[args.index("--seed"):args.index("--seed") + 2]
    sys.path.insert(0, args[0])
    import render_tapes as r
    r.PROG.update(g.PROGRAMS)
    out, pairs = args[1], int(args[2])
    for d in ("target", "tape"): os.makedirs(f"{out}/{d}", exist_ok=True)
    truth = []
    for i in range(pairs):
        for base, where in ((i, "target"), (i + 10, "tape")):
            spec, _ = g.scenario(base, seed)
            if "guitar" not in spec["players"]: spec["players"].append("guitar")
            mix = r.render(spec, out, spec["font"])
            for player in ("bass", "guitar"):
                stem = sf.read(f"{out}/{spec['name']}.stem-{player}.wav", dtype="float32")[0]
                rest = mix - stem
                leak = 10 ** (LEAK_DB / 20) * np.sqrt(np.mean(stem ** 2) / np.mean(rest ** 2))
                for n, (mid, high) in enumerate(TWINS if where == "tape" else [(0, 0)]):
                    x = filtered(stem, mid, high) + leak * rest
                    name = f"{player}-{i:02}" + (f"-{n}" if where == "tape" else "")
                    sf.write(f"{out}/{where}/{name}.wav", (.5 * x / np.max(np.abs(x))).astype(np.float32), g.FS, subtype="PCM_16")
                    if where == "tape": truth.append(dict(player=player, pair=i, file=f"{name}.wav", mid_db=mid, high_db=high, bass=g.BASSES[i % 10][1]))
            for p in spec["players"]: os.remove(f"{out}/{spec['name']}.stem-{p}.wav")
            os.remove(f"{out}/{spec['name']}.wav")
        print(i, flush=True)
    json.dump(truth, open(f"{out}/truth.json", "w"))


if __name__ == "__main__":
    main()
