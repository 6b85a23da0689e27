#!/usr/bin/env python3
"""Writes the trained networks for the program: half-precision weights, and a short vector that a test compares with.

usage: export.py weights.npz HITS.npz ROOM_DIR FIXTURE_DIR      (weights.npz may be the weights.f16 in use)
needs: numpy. ROOM_DIR gets weights.f16 and hits.f16, FIXTURE_DIR gets network.json (inputs, and the answers by infer.py).
Of the four rates of the branch only that of either player is kept.
"""
import json, sys
import numpy as np, infer

FULL = ["enter", "enter_bias"] + [f"{k}{i}" for i in range(8) for k in ("depth", "point", "bias")] + ["leave", "leave_bias"]
HITS = ["enter", "enter_bias"] + [f"{k}{i}" for i in range(len(infer.HIT_DILATIONS)) for k in ("depth", "point", "bias")] + ["leave", "leave_bias"]


def in_use(path):
    flat = np.fromfile(path, "<f2"); at = 0; w = {}
    H = infer.WIDTH; shapes = dict(enter=(H, 272), enter_bias=(H,), leave=(384, H), leave_bias=(384,))
    for k in FULL:
        shape = shapes.get(k) or {"depth": (5, H), "point": (H, H), "bias": (H,)}[k.rstrip("0123456789")]
        n = int(np.prod(shape)); v = flat[at:at + n].reshape(shape); w[k] = v.T if k.startswith("depth") else v; at += n
    return w


def written(path, w, order):
    half = {k: w[k].astype(np.float16) for k in order}
    with open(path, "wb") as f:
        for k in order: f.write((half[k].T if k.startswith("depth") else half[k]).astype("<f2").tobytes())
    print(path, sum(v.size for v in half.values()), "numbers; largest", max(float(np.abs(v).max()) for v in half.values()))
    return {k: v.astype(np.float32) for k, v in half.items()}


source, hits, room, fixtures = sys.argv[1:5]
w = written(room + "/weights.f16", in_use(source) if source.endswith(".f16") else dict(np.load(source)), FULL)
b = dict(np.load(hits)); b["leave"], b["leave_bias"] = b["leave"][2:3], b["leave_bias"][2:3]; b = written(room + "/hits.f16", b, HITS)
rng = np.random.default_rng(5); steps = 70
base = np.repeat(rng.normal(-2, 1, (1, 272)), steps, 0) + rng.normal(0, .6, (steps, 272)) + np.sin(np.arange(steps) / 5)[:, None] * .5
base[:, 64:128] = rng.normal(0, .3, (steps, 64)); x = np.round(base, 2).astype(np.float32)
s, r = infer.shares(w, x), infer.hit_rates(w, b, x)
pick = [0, 1, 20, 35, 69]
json.dump(dict(source="infer.py on the weights of weights.f16 and hits.f16", inputs=[[float(v) for v in np.round(row, 2)] for row in x.astype(float)], steps=pick, shares=[[round(float(v), 5) for v in s[i].ravel()] for i in pick], hit_rates=[round(float(v), 5) for v in r]), open(fixtures + "/network.json", "w"))
