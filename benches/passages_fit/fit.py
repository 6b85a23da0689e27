#!/usr/bin/env python3
"""Fits the passages classifier: three networks of 14 hidden units, side by side, their logits averaged.

usage: fit.py TAPES_WITH_FEATURES WEIGHTS_RS (see README.md)
"""
import numpy as np, json, glob, sys, os
from features import *


def write(path, m):
    f = lambda a: ', '.join(f'{float(x):.4g}' if '.' in f'{float(x):.4g}' or 'e' in f'{float(x):.4g}' else f'{float(x):.4g}.0' for x in a)
    W1 = m['W1']; H = W1.shape[1]
    o = open(path, 'w')
    o.write('''//! Fitted numbers of the classifier; written by `benches/passages_fit/fit.py`, not by hand.
//!
//! Conventions: rows follow the inputs of `context.rs`; `INPUT_SCALE` is one over the standard deviation.
#![allow(clippy::excessive_precision, clippy::unreadable_literal)]

use super::classifier::CLASSES;
use super::context::INPUTS;

''')
    o.write(f'/// Units of the hidden layer.\npub const HIDDEN: usize = {H};\n')
    arr = lambda n, d, t, a: o.write(f'/// {d}\npub {"static" if n.startswith("INPUT") else "const"} {n}: {t} = [{f(a)}];\n')
    arr('INPUT_MEAN', 'Mean of every input.', '[f32; INPUTS]', m['mu']); arr('INPUT_SCALE', 'One over the standard deviation of every input.', '[f32; INPUTS]', 1 / m['sd'])
    arr('HIDDEN_BIAS', 'Bias of the hidden units.', '[f32; HIDDEN]', m['b1']); arr('OUTPUT_BIAS', 'Bias of the classes.', '[f32; CLASSES.len()]', m['b2'])
    for n, d, t, a in (('TO_HIDDEN', 'Input to hidden.', '[[f32; HIDDEN]; INPUTS]', W1), ('TO_OUTPUT', 'Hidden to class.', '[[f32; CLASSES.len()]; HIDDEN]', m['W2'])):
        o.write(f'/// {d}\npub static {n}: {t} = [\n' + ''.join(f'    [{f(r)}],\n' for r in a) + '];\n')


def data(pat):
    out = []
    for f in sorted(glob.glob(pat)):
        T = json.load(open(f)); p = f.replace('.truth.json', '.feat')
        if not os.path.exists(p): continue
        r = np.fromfile(p, np.uint8).reshape(-1, 30)
        X, sil = expand(r); out.append((T['name'], X, labels(T, len(X)), sil, T))
    return out
def prep(folder):
    D = data(folder + '/*.truth.json'); X = np.concatenate([d[1] for d in D]); Y = np.concatenate([d[2] for d in D]); k = Y >= 0; X, Y = X[k], Y[k]
    mu, sd = X.mean(0), X.std(0) + .05
    return np.clip((X - mu) / sd, -4, 4).astype(np.float32), Y, mu, sd, len(D)
def train(X, Y, H, seed, epochs=12):
    rng = np.random.default_rng(seed); ns = 5
    P = [(rng.standard_normal((X.shape[1], H)) * .05).astype(np.float32), np.zeros(H, np.float32), (rng.standard_normal((H, ns)) * .3).astype(np.float32), np.zeros(ns, np.float32)]
    M = [np.zeros_like(p) for p in P]; S = [np.zeros_like(p) for p in P]
    cw = 1 / np.sqrt(np.bincount(Y, minlength=5) / len(Y)); cw /= cw[Y].mean(); t = 0
    for ep in range(epochs):
        lr = 2e-3 * .7 ** max(0, ep - 5)
        for b in np.array_split(rng.permutation(len(X)), len(X) // 256):
            m = (rng.random((len(b), X.shape[1])) > .1).astype(np.float32); x, y = (X[b] + rng.standard_normal((len(b), X.shape[1])).astype(np.float32) * .25) * m, Y[b]
            h = np.tanh(x @ P[0] + P[1]); z = h @ P[2] + P[3]; z -= z.max(1, keepdims=True); p = np.exp(z); p /= p.sum(1, keepdims=True)
            p[np.arange(len(y)), y] -= 1; p *= (cw[y] / len(y))[:, None]
            dh = (p @ P[2].T) * (1 - h * h); G = [x.T @ dh + 1e-3 * P[0], dh.sum(0), h.T @ p + 1e-3 * P[2], p.sum(0)]; t += 1
            for q, g, mm, s in zip(P, G, M, S): mm += .1 * (g - mm); s += .001 * (g * g - s); q -= lr * (mm / (1 - .9 ** t)) / (np.sqrt(s / (1 - .999 ** t)) + 1e-8)
    return P
if __name__ == '__main__':
    X, Y, mu, sd, n = prep(sys.argv[1]); print(n, X.shape, np.bincount(Y)); Ps = [train(X, Y, 14, s) for s in (1, 2, 3)]
    write(sys.argv[2], dict(mu=mu, sd=sd, W1=np.concatenate([p[0] for p in Ps], 1), b1=np.concatenate([p[1] for p in Ps]), W2=np.concatenate([p[2] for p in Ps]) / 3, b2=sum(p[3] for p in Ps) / 3))
