#!/usr/bin/env python3
"""Fit the weights of the beat hypotheses and write src/measure/time/weights.rs.

usage: fit.py ROWS.jsonl OUT.rs [--l2 3]      needs: numpy scipy (PyPI)
ROWS.jsonl comes from `cargo bench --bench time -- FOLDER --rows ROWS.jsonl`: one line a candidate pulse of a span, with its
level row, the sums of its phase rows for every metre and phase, its beats and the true beats of the span.
Conditional logit over the hypotheses of a span: the right ones are those with F > 0.93 on beats and > 0.9 on downbeats
(+-70 ms). Prints the share that five-fold cross-validation (whole mixes left out) gets right, then fits on all.
"""
import json, sys
import numpy as np
from collections import defaultdict
from scipy.optimize import minimize

TAIL = 9    # last numbers of the level row that have weights of their own in bars of three


def beat_f(ref, est, tol=.07):
    i = j = hit = 0
    while i < len(ref) and j < len(est):
        d = est[j] - ref[i]
        if abs(d) <= tol: hit += 1; i += 1; j += 1
        elif d < 0: j += 1
        else: i += 1
    return 2 * hit / max(1, len(ref) + len(est))


def spans(path):
    groups = defaultdict(list)
    for line in open(path):
        r = json.loads(line); groups[(r['tape'], r['span_number'])].append(r)
    out = []
    for (tape, _), rows in groups.items():
        lo, hi = rows[0]['span']
        true = [b for b in rows[0]['true_beats'] if lo + .2 <= b[0] <= hi - .2]
        beats = [b[0] for b in true]; downs = [b[0] for b in true if b[1] == 1]
        X, y = [], []
        for r in rows:
            inside = lambda x: beats[0] - .1 <= x <= beats[-1] + .1
            f = beat_f(beats, [x for x in r['beats'] if inside(x)]); n = len(r['beats'])
            for ph in r['phases']:
                M, p = ph['meter'], ph['phase']; waltz = float(M == 3)
                d = beat_f(downs, [x for i, x in enumerate(r['beats']) if (i - p) % M == 0 and inside(x)])
                enters = float(r['entrance'] is not None and r['entrance'] % M == p)
                X.append(r['level'] + [waltz] + [v / n for v in ph['sum']] + [enters] + [waltz * v for v in r['level'][-TAIL:]])
                y.append(f > .93 and d > .9)
        if any(y): out.append((tape, np.array(X), np.array(y), len(r['level']), len(r['phases'][0]['sum'])))
    return out


def fit(data, mu, sd, l2):
    Z = [((X - mu) / sd, y) for _, X, y, *_ in data]
    def loss(w):
        L, g = l2 * w @ w, 2 * l2 * w
        for X, y in Z:
            s = X @ w; e = np.exp(s - s.max()); p = e / e.sum(); q = e * y / (e * y).sum()
            L -= np.log(p[y].sum() + 1e-30); g = g - X.T @ (q - p)
        return L, g
    return minimize(loss, np.zeros(len(mu)), jac=True, method='L-BFGS-B', options=dict(maxiter=200)).x


def array(name, doc, x):
    rows = ',\n'.join('    ' + ', '.join('%.6f' % z for z in x[i:i + 10]) for i in range(0, len(x), 10))
    return f'/// {doc}\npub const {name}: [f64; {len(x)}] = [\n{rows},\n];\n'


def main():
    l2 = float(sys.argv[sys.argv.index('--l2') + 1]) if '--l2' in sys.argv else 3.0
    data = spans(sys.argv[1]); allX = np.vstack([d[1] for d in data]); mu, sd = allX.mean(0), allX.std(0) + 1e-3
    tapes = sorted({d[0] for d in data}); fold = {t: i % 5 for i, t in enumerate(tapes)}; right = []
    for k in range(5):
        w = fit([d for d in data if fold[d[0]] != k], mu, sd, l2)
        right += [bool(y[np.argmax((X - mu) / sd @ w)]) for t, X, y, *_ in data if fold[t] == k]
    print(f'{len(data)} spans of {len(tapes)} mixes; left out and right: {np.mean(right):.3f}')
    v = fit(data, mu, sd, l2) / sd; nl, npf = data[0][3], data[0][4]
    head = f'//! Weights of the beat hypotheses; written by `benches/time_fit/fit.py`, not by hand.\n//!\n//! Fit: conditional logit, L2 {l2:g}, {len(data)} spans of {len(tapes)} mixes, {100 * np.mean(right):.1f} % right when left out.\n\n'
    open(sys.argv[2], 'w').write(head + array('LEVEL_WEIGHTS', 'Weights of the level row.', v[:nl])
        + f'/// Added for bars of three.\npub const WALTZ_BIAS: f64 = {v[nl]:.6f};\n'
        + f'/// Added when the band enters on the first beat of the bar.\npub const ENTRANCE_WEIGHT: f64 = {v[nl + 1 + npf]:.6f};\n'
        + array('WALTZ_WEIGHTS', 'Added weights of the last numbers of the level row for bars of three.', v[-TAIL:])
        + array('PHASE_WEIGHTS', 'Weights of the phase row.', v[nl + 1:nl + 1 + npf]))


if __name__ == '__main__':
    main()
