#!/usr/bin/env python3
"""Widens the network in use: the new hidden units answer to random sums, and nothing listens to them yet.

usage: grow.py OLD.f16 OLD_WIDTH NEW.f16 [--seed 1]     (the new width is that of infer.py)
needs: numpy. What the network answers stays the same; training goes on from there.
"""
import argparse
import numpy as np, infer

ap = argparse.ArgumentParser(); ap.add_argument("old"); ap.add_argument("width", type=int); ap.add_argument("new"); ap.add_argument("--to", type=int, default=infer.WIDTH); ap.add_argument("--seed", type=int, default=1)
A = ap.parse_args(); rng = np.random.default_rng(A.seed); flat = np.fromfile(A.old, "<f2").astype(np.float32); at = 0; out = []; H, N = A.width, A.to


def take(*shape):
    global at
    n = int(np.prod(shape)); v = flat[at:at + n].reshape(shape); at += n; return v


def rows(w):
    """Random rows below the old ones, as strong as those are input by input."""
    return np.concatenate([w, rng.standard_normal((N - H, w.shape[1])).astype(np.float32) * w.std(0)])


def more(v): return np.concatenate([v, np.zeros(N - H, np.float32)])


w, b = take(H, 272), take(H); out += [rows(w), np.concatenate([b, np.full(N - H, b.mean(), np.float32)])]
while len(flat) - at > 384 * (H + 1):
    taps, point, b = take(5, H), take(H, H), take(H)
    out.append(np.concatenate([taps, rng.standard_normal((5, N - H)).astype(np.float32) * taps.std()], 1))
    wide = np.zeros((N, N), np.float32); wide[:H, :H] = point; wide[H:] = rng.standard_normal((N - H, N)) * point.std(); out += [wide, more(b)]
leave, b = take(384, H), take(384); assert at == len(flat)
out += [np.concatenate([leave, np.zeros((384, N - H), np.float32)], 1), b]
np.concatenate([v.ravel() for v in out]).astype("<f2").tofile(A.new); print(sum(v.size for v in out), "numbers")
