#!/usr/bin/env python3
"""Fits the weights of the bass lag: a softmax over candidate lags, each scored by one hidden layer.

usage: lag_fit.py ROWS.jsonl WEIGHTS.rs   (rows: cargo bench --bench time -- FOLDER --lags ROWS.jsonl)
Prints the error on pieces that were left out, then fits on all.
"""
import json, sys
import numpy as np

CURVES, WIDTH, FRAME_MS, BEFORE = 4, 37, 5.0, 12
LAGS = np.arange(-56, 57, 4.0)
UNITS, STEPS, DECAY, SOFT_MS, RATE = 4, 150, 0.01, 5.0, 0.01


def rows(path):
    for line in open(path):
        row = json.loads(line)
        true = np.array(row['truth']['beats']); got = np.array(row['beats'])
        near = np.mean([np.min(abs(true - t)) < 0.05 for t in got])
        if near >= 0.9 and abs(len(got) - len(true)) <= 0.2 * len(true):
            yield row


def inputs(profiles):
    p = profiles.reshape(len(profiles), CURVES, WIDTH)
    def seen_from(lag):
        place = np.arange(-5, 13) + lag / FRAME_MS + BEFORE
        i = np.clip(np.floor(place).astype(int), 0, WIDTH - 2); f = np.clip(place - i, 0, 1)
        return p[:, :, i] * (1 - f) + p[:, :, i + 1] * f
    shifted = np.stack([seen_from(lag).reshape(len(p), -1) for lag in LAGS], 1)
    return shifted, p[:, :, 8:20].reshape(len(p), -1)


class Scale:
    def __init__(self, shifted, fixed):
        self.sm, self.ss, self.fm, self.fs = shifted.mean((0, 1)), shifted.std(), fixed.mean(0), fixed.std()
    def __call__(self, shifted, fixed):
        n = len(fixed); wide = np.broadcast_to(((fixed - self.fm) / self.fs)[:, None, :], (n, len(LAGS), fixed.shape[1]))
        lag = np.broadcast_to((LAGS / 40)[None, :, None], (n, len(LAGS), 1))
        return np.concatenate([(shifted - self.sm) / self.ss, wide, lag, lag ** 2], 2)


def train(x, y):
    rng = np.random.default_rng(0); d = x.shape[2]
    p = [rng.normal(0, 1 / np.sqrt(d), (d, UNITS)), np.zeros(UNITS), rng.normal(0, 1 / np.sqrt(UNITS), UNITS)]
    m = [np.zeros_like(w) for w in p]; v = [np.zeros_like(w) for w in p]
    target = np.exp(-0.5 * ((LAGS[None] - y[:, None]) / SOFT_MS) ** 2); target /= target.sum(1, keepdims=True)
    for t in range(1, STEPS + 1):
        h = np.tanh(x @ p[0] + p[1]); s = h @ p[2]; q = np.exp(s - s.max(1, keepdims=True)); q /= q.sum(1, keepdims=True)
        g = (q - target) / len(y); gh = g[..., None] * p[2] * (1 - h * h)
        grads = [np.einsum('nld,nlh->dh', x, gh, optimize=True) + DECAY * p[0], gh.sum((0, 1)), np.einsum('nlh,nl->h', h, g, optimize=True) + DECAY * p[2]]
        for i in range(3):
            m[i] = 0.9 * m[i] + 0.1 * grads[i]; v[i] = 0.999 * v[i] + 0.001 * grads[i] ** 2
            p[i] = p[i] - RATE * (m[i] / (1 - 0.9 ** t)) / (np.sqrt(v[i] / (1 - 0.999 ** t)) + 1e-8)
    return p


def reading(p, x):
    s = np.tanh(x @ p[0] + p[1]) @ p[2]; q = np.exp(s - s.max(1, keepdims=True)); q /= q.sum(1, keepdims=True)
    mean = q @ LAGS
    return mean, np.sqrt(np.maximum(q @ LAGS ** 2 - mean ** 2, 0))


def array(name, doc, values):
    values = np.asarray(values).ravel()
    lines = '\n'.join('    ' + ', '.join('%.5f' % z for z in values[i:i + 10]) + ',' for i in range(0, len(values), 10))
    return f'/// {doc}\npub const {name}: [f64; {len(values)}] = [\n{lines}\n];\n'


def main(source, out):
    data = list(rows(source)); y = np.array([r['truth']['sound_lag_ms'] for r in data])
    pieces = [r['truth']['piece'] for r in data]; order = sorted(set(pieces)); fold = np.array([order.index(p) % 6 for p in pieces])
    shifted, fixed = inputs(np.array([r['profile'] for r in data])); scale = Scale(shifted, fixed); x = scale(shifted, fixed)
    mean, sd = np.zeros(len(y)), np.zeros(len(y))
    for k in range(6):
        mean[fold == k], sd[fold == k] = reading(train(x[fold != k], y[fold != k]), x[fold == k])
    error = mean - y; claimed = abs(mean) > 1.96 * sd
    print(f'{len(y)} mixes, {len(order)} pieces; left out: sd {error.std():.1f} ms, inside {np.mean(abs(error) < 1.96 * sd):.2f}, '
          f'claimed {claimed.mean():.2f} with sd {error[claimed].std():.1f} ms')
    p = train(x, y); a, b = p[0].copy(), p[1].copy(); n, k = shifted.shape[2], fixed.shape[1]
    a[:n] /= scale.ss; b -= scale.sm @ a[:n]; a[n:n + k] /= scale.fs; b -= scale.fm @ a[n:n + k]
    head = f'//! Weights of the bass lag, fitted by `benches/time_fit/lag_fit.py`; do not edit.\n//!\n//! Fit: {len(y)} mixes of {len(order)} pieces.\n\n'
    open(out, 'w').write(head + array('SHIFTED', '`[unit][value]`: the profile seen from the candidate lag.', a[:n].T)
        + array('FIXED', "`[unit][value]`: the profile seen from the ride's stroke.", a[n:n + k].T)
        + array('CANDIDATE', '`[unit][2]`: the candidate lag over 40 ms, and its square.', a[n + k:].T)
        + array('OFFSET', 'Offset of each unit.', b) + array('OUTPUT', 'Weight of each unit.', p[2]))


if __name__ == '__main__':
    main(*sys.argv[1:3])
