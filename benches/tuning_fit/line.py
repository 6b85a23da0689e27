#!/usr/bin/env python3
"""Fit the evidence weights of the bass line.

usage: line.py FRAMES TRUTH OUT.npy
needs: numpy scipy (PyPI). FRAMES/<name>.bin: kept peaks, 25 frames a second, 32 pairs (Hz, amplitude) of float32 each;
TRUTH/<name>.txt: lines `take START END` and `note bass START LENGTH MIDI CENTS`.
Prints the table for line.rs: multiple, weight at MIDI 36, change an octave; then the register's two terms.
"""
import os, sys
import numpy as np
from scipy.optimize import minimize

HOP, KEYS, LEVELLING, HALF_WIDTH = 0.04, np.arange(22, 51), 0.8, 0.6
MULT = [1 / 3, .5, 2 / 3, 1, 4 / 3, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9, 10]
R = (KEYS - 36) / 12
NF = 2 * len(MULT)


def load(frames, truth, name):
    peaks = np.fromfile(f"{frames}/{name}.bin", "<f4").reshape(-1, 32, 2).astype(float); takes, notes = [], []
    for line in open(f"{truth}/{name}.txt"):
        w = line.split()
        if w[0] == "take": takes.append((float(w[1]), float(w[2])))
        if w[:2] == ["note", "bass"]: notes.append(tuple(map(float, w[2:])))
    notes = [n for n in notes if any(a <= n[0] < b for a, b in takes)]
    sel = np.concatenate([np.arange(max(0, int(np.ceil((a - .5) / HOP))), min(len(peaks), int(np.ceil((b + .5) / HOP)))) for a, b in takes])
    return peaks[sel], sel * HOP, notes


def features(peaks, cents):
    hz, am = peaks[..., 0], peaks[..., 1]
    place = np.log2(np.maximum(hz, 20) / 20) * 6; band = np.clip(place.astype(int), 0, 39)
    level = np.log(np.bincount(band.ravel(), (am ** 2).ravel(), 40) / len(hz) + 1e-12) / 2; p = np.pad(level, 2, "edge")
    level = (p[:-4] + 2 * p[1:-3] + 3 * p[2:-2] + 2 * p[3:-1] + p[4:]) / 9
    w = np.where(hz > 0, am / np.exp(LEVELLING * np.interp(np.clip(place - .5, 0, 39), np.arange(40), level)), 0)
    v = np.sqrt(w / (np.sqrt(((w ** 2) * (hz < 400)).sum(1)) + np.quantile(w.max(1), .3) * .3)[:, None])
    midi = np.where(hz > 0, 12 * np.log2(np.maximum(hz, 1) / 440) + 69, -99); out = np.zeros((len(hz), len(KEYS), len(MULT)), np.float32)
    for j, m in enumerate(MULT):
        away = np.abs(midi[:, None, :] - (KEYS + cents / 100 + 12 * np.log2(m))[None, :, None])
        out[:, :, j] = (v[:, None, :] * np.clip(1 - away / HALF_WIDTH, 0, None)).max(2)
    return out


def examples(frames, truth, name):
    peaks, times, notes = load(frames, truth, name)
    if not notes: return None
    y = np.full(len(times), -1)
    for t, d, k, _ in notes:
        if KEYS[0] <= k <= KEYS[-1]: y[(times >= t + .06) & (times < t + d - .02)] = int(k) - KEYS[0]
    x = features(peaks, np.median([n[3] for n in notes])); ok = y >= 0
    return x[ok][::3], y[ok][::3]


def loss(th, data, ridge=1e-3):
    total, g = 0.0, np.zeros_like(th)
    for f, y in data:
        x = np.concatenate([f, f * R[None, :, None]], 2); s = x @ th[:NF] + th[NF] * R + th[NF + 1] * R * R
        e = np.exp(s - s.max(1, keepdims=True)); p = e / e.sum(1, keepdims=True); i = np.arange(len(y))
        total -= np.log(p[i, y] + 1e-9).mean(); p[i, y] -= 1
        g[:NF] += np.einsum("ik,ikf->f", p, x) / len(y); g[NF] += (p @ R).mean(); g[NF + 1] += (p @ (R * R)).mean()
    return total / len(data) + ridge * (th ** 2).sum(), g / len(data) + 2 * ridge * th


def main():
    frames, truth, out = sys.argv[1:4]
    names = sorted(f[:-4] for f in os.listdir(frames) if f.endswith(".bin"))
    data = [e for e in (examples(frames, truth, n) for n in names) if e is not None and len(e[1]) > 50]
    th = minimize(loss, np.zeros(NF + 2), args=(data,), jac=True, method="L-BFGS-B", options=dict(maxiter=200)).x
    for j, m in enumerate(MULT): print(f"({m:.4f}, {th[j]:.2f}, {th[len(MULT) + j]:.2f}),")
    print(f"register {th[NF]:.2f}, {th[NF + 1]:.2f}"); np.save(out, th)


if __name__ == "__main__":
    main()
