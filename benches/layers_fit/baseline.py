#!/usr/bin/env python3
"""What plain signal processing reaches on truth-labelled tapes: the note beside the network's figures.

usage: baseline.py TAPE_DIR...   needs: numpy scipy soundfile (tapes that soundfile cannot read are left out).
Drums: percussive part by median filters along time and frequency (power spectra 4096/1024, 17 frames by 17 bins).
Bass: what is harmonic under 250 Hz. Of the rest, what outlasts 0.3 s (a running minimum) is horns, what decays comping.
"""
import glob, json, os, sys
import numpy as np, soundfile as sf
from scipy.ndimage import median_filter, minimum_filter1d, maximum_filter1d
from scipy.signal import resample_poly
import features as F

out = {}
for d in sys.argv[1:]:
    for p in sorted(glob.glob(d + "/*")):
        if p.endswith(".json"): continue
        try: x, fs = sf.read(p, dtype="float32")
        except Exception: continue
        T = json.load(open(p.rsplit(".", 1)[0] + ".truth.json"))
        if T["agc"] or T["clipped"]: continue
        st = 1 if x.ndim == 1 else 2; x = x if x.ndim == 1 else x.mean(1)
        if fs != 48000: x = resample_poly(x, 160, 147).astype(np.float32)
        n = len(x) // 1024; P = F.power_frames(x, 4096, 1024, n)[:, :1400]
        h = median_filter(P, (17, 1)); q = median_filter(P, (1, 17)); perc = q ** 2 / (q ** 2 + h ** 2 + 1e-30)
        f = np.arange(1400) * F.RATE / 4096; k = F.k_weight_power(f); H = P * (1 - perc) * k
        low = f < 250; sus = np.minimum(maximum_filter1d(minimum_filter1d(P, 15, axis=0), 15, axis=0) / (P + 1e-30), 1)
        lay = dict(drums=(P * perc * k).sum(1), bass=H[:, low].sum(1), horns=(H * sus)[:, ~low].sum(1), comping=(H * (1 - sus))[:, ~low].sum(1)); tot = (P * k).sum(1)
        for tk in T["takes"]:
            prev = {}
            for s in tk["sections"]:
                a, b = int(s["start"] / .021333), int(s["end"] / .021333)
                for l, v in lay.items():
                    L = s["layer_lufs"].get(l)
                    if L is None or not np.isfinite(L) or L < s["lufs"] - 16: continue
                    e = 10 * np.log10(v[a:b].mean() / tot[a:b].mean()) - (L - s["lufs"]); out.setdefault(l, []).append(abs(e))
                    if l in prev: out.setdefault(l + " change", []).append(abs(e - prev[l]))
                    prev[l] = e
for l in out: print(f"{l:18s} n {len(out[l])} mean {np.mean(out[l]):.2f} worst {np.max(out[l]):.2f} dB")
