#!/usr/bin/env python3
"""Writes the trained network for the program: half-precision weights, and a short vector that a test compares with.

usage: export.py weights.npz ROOM_DIR FIXTURE_DIR
needs: numpy. ROOM_DIR gets weights.f16, FIXTURE_DIR gets layer_network.json (inputs, and the shares by infer.py).
"""
import json, sys
import numpy as np, infer

w = dict(np.load(sys.argv[1]))
order = ["enter", "enter_bias"] + [f"{k}{i}" for i in range(8) for k in ("depth", "point", "bias")] + ["leave", "leave_bias"]
half = {k: w[k].astype(np.float16) for k in order}
with open(sys.argv[2] + "/weights.f16", "wb") as f:
    for k in order: f.write((half[k].T if k.startswith("depth") else half[k]).astype("<f2").tobytes())
w = {k: v.astype(np.float32) for k, v in half.items()}
rng = np.random.default_rng(5); steps = 70
base = np.repeat(rng.normal(-2, 1, (1, 272)), steps, 0) + rng.normal(0, .6, (steps, 272)) + np.sin(np.arange(steps) / 5)[:, None] * .5
base[:, 64:128] = rng.normal(0, .3, (steps, 64)); x = np.round(base, 2).astype(np.float32)
s = infer.shares(w, x)
pick = [0, 1, 20, 35, 69]
json.dump(dict(source="infer.py on the weights of weights.f16", inputs=[[float(v) for v in np.round(r, 2)] for r in x.astype(float)], steps=pick, shares=[[round(float(v), 5) for v in s[i].ravel()] for i in pick]), open(sys.argv[3] + "/layer_network.json", "w"))
print(sum(v.size for v in half.values()), "numbers; largest", max(float(np.abs(v).max()) for v in half.values()))
