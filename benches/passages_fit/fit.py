#!/usr/bin/env python3
"""Fits the passages classifier. usage: fit.py TAPES_WITH_FEATURES WEIGHTS_RS (see README.md)"""
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
if __name__ == '__main__':
    D = data(sys.argv[1] + '/*.truth.json'); V = D[::6]; Tr = [d for i, d in enumerate(D) if i % 6]
    X = np.concatenate([d[1] for d in Tr]); Y = np.concatenate([d[2] for d in Tr]); k = Y >= 0; X, Y = X[k], Y[k]
    mu, sd = X.mean(0), X.std(0) + .05
    X = np.clip((X - mu) / sd, -4, 4).astype(np.float32); print(len(D), X.shape, np.bincount(Y))
    H = 20; rng = np.random.default_rng(0); ns = 5
    W1 = (rng.standard_normal((X.shape[1], H)) * .05).astype(np.float32); b1 = np.zeros(H, np.float32); W2 = (rng.standard_normal((H, ns)) * .3).astype(np.float32); b2 = np.zeros(ns, np.float32)
    P = [W1, b1, W2, b2]; M = [np.zeros_like(p) for p in P]; S = [np.zeros_like(p) for p in P]
    cw = 1 / np.sqrt(np.bincount(Y, minlength=5) / len(Y)); cw /= (cw[Y]).mean(); L2 = 1e-3; t = 0
    def fwd(x): h = np.tanh(x @ P[0] + P[1]); z = h @ P[2] + P[3]; z -= z.max(1, keepdims=True); e = np.exp(z); return h, e / e.sum(1, keepdims=True)
    for ep in range(14):
        lr = 2e-3 * (.5 ** max(0, (ep - 6)))**.5
        for b in np.array_split(rng.permutation(len(X)), len(X) // 256):
            x, y = X[b] + rng.standard_normal((len(b), X.shape[1])).astype(np.float32) * .15, Y[b]; h, p = fwd(x); g = p.copy(); g[np.arange(len(y)), y] -= 1; g *= (cw[y] / len(y))[:, None]
            dh = (g @ P[2].T) * (1 - h * h); G = [x.T @ dh + L2 * P[0], dh.sum(0), h.T @ g + L2 * P[2], g.sum(0)]; t += 1
            for q, gq, m, s in zip(P, G, M, S): m += .1 * (gq - m); s += .001 * (gq * gq - s); q -= lr * (m / (1 - .9 ** t)) / (np.sqrt(s / (1 - .999 ** t)) + 1e-8)
    write(sys.argv[2], dict(mu=mu, sd=sd, W1=P[0], b1=P[1], W2=P[2], b2=P[3]))
    def post(X): return fwd(np.clip((X - mu) / sd, -4, 4).astype(np.float32))[1]
    for nm, S_ in (('left out', V),):
        print(nm); cm = np.zeros((5, 5), int); acc = []
        for n, X_, y, sil, T in S_:
            p = post(X_).argmax(1); k = y >= 0; a = (p[k] == y[k]).mean(); acc.append(a); np.add.at(cm, (y[k], p[k]), 1)
            if a < .93: print('  ', n, round(a, 3), {KINDS[c]: [int(v) for v in np.bincount(p[y == c], minlength=5)] for c in range(5) if (y == c).any()}, T.get('meta', ''))
        print(np.mean(acc), min(acc)); print(cm)
