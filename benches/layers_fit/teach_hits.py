#!/usr/bin/env python3
"""Teaches the branch for hits another network: on the same windows it is to give the rates that the old branch gives on the old network.

usage: teach_hits.py OLD_WEIGHTS.npz OLD_HITS.npz NEW_WEIGHTS.npz OUT_HITS.npz FILE.npz... [--windows 1000] [--steps 1000] [--seed 3]
FILE.npz: windows of rendered.py and made.py, as many of each as of the others. No truth is used. It begins where least squares over the first layer ends, as in
carry_hits.py. Only the rate of either player is taught: no other is kept. needs: PyTorch, numpy.
"""
import argparse
import numpy as np, torch
from infer import DILATIONS, HIT_DILATIONS, OFFSETS
from settle import blocks, dense

EITHER = 2       # of the four rates
HELD = .2        # of the windows, to see how near it comes
RIDGE, LEAST = .01, 1e-4
LR, BATCH, AT_ONCE = 1e-3, 24, 16


def read(path): return {k: torch.from_numpy(v.astype(np.float32)) for k, v in np.load(path).items()}


def hidden(w, x):
    first = torch.relu(dense(w, "enter", x)); return torch.cat([first, blocks(w, first, DILATIONS, OFFSETS)], 1)


def rates(branch, rows):
    """Logarithm of the four rates [windows, 4, steps]"""
    h = blocks(branch, torch.relu(dense(branch, "enter", rows)), HIT_DILATIONS, [(-2, 2)] * len(HIT_DILATIONS)); return dense(branch, "leave", h)


def rate(branch, rows): return rates(branch, rows)[:, EITHER]


def first_layer(rows, wanted):
    """Weights and biases with which the rows give what is wanted, by least squares."""
    n = rows.shape[1]; square, cross, count = torch.zeros(n + 1, n + 1, dtype=torch.float64), torch.zeros(n + 1, wanted.shape[1], dtype=torch.float64), 0
    for i in range(0, len(rows), AT_ONCE):
        x = rows[i:i + AT_ONCE].float().permute(0, 2, 1).reshape(-1, n); x = torch.cat([x, torch.ones(len(x), 1)], 1).double(); y = wanted[i:i + AT_ONCE].float().permute(0, 2, 1).reshape(len(x), -1).double()
        square += x.T @ x; cross += x.T @ y; count += len(x)
    square /= count; ridge = (square.diagonal() + LEAST) * RIDGE; ridge[-1] = 0
    w = torch.linalg.solve(square + torch.diag(ridge), cross / count).float(); return w[:-1].T.contiguous(), w[-1].clone()


def main():
    ap = argparse.ArgumentParser(); [ap.add_argument(a) for a in ("old", "hits", "new", "out")]; ap.add_argument("files", nargs="+")
    ap.add_argument("--windows", type=int, default=1000); ap.add_argument("--steps", type=int, default=1000); ap.add_argument("--seed", type=int, default=3); A = ap.parse_args()
    old, branch, new = read(A.old), read(A.hits), read(A.new); rng = np.random.default_rng(A.seed); torch.manual_seed(A.seed); drawn = []
    for path in A.files: x = np.load(path)["x"]; drawn.append(x[rng.choice(len(x), min(len(x), A.windows // len(A.files)), replace=False)])
    drawn = np.concatenate(drawn); rng.shuffle(drawn); rows, wanted, told = [], [], []
    with torch.no_grad():
        for i in range(0, len(drawn), AT_ONCE):
            x = torch.from_numpy(drawn[i:i + AT_ONCE].astype(np.float32)); before = hidden(old, x)
            rows.append(hidden(new, x).half()); wanted.append(dense(branch, "enter", before).half()); told.append(rate(branch, before))
    rows, wanted, told = map(torch.cat, (rows, wanted, told)); fit = int(len(rows) * (1 - HELD))
    branch["enter"], branch["enter_bias"] = first_layer(rows[:fit], wanted[:fit]); pupil = {k: torch.nn.Parameter(v) for k, v in branch.items()}; opt = torch.optim.Adam(pupil.values(), lr=LR)
    def say(step):
        with torch.no_grad(): said = torch.cat([rate(pupil, rows[i:i + AT_ONCE].float()) for i in range(fit, len(rows), AT_ONCE)]).exp()
        truth = told[fit:].exp(); print("step", step, "of the variance of the rate on windows held back:", round(1 - float(((said - truth) ** 2).mean() / truth.var()), 3), "mean", round(float(said.mean()), 4), "for", round(float(truth.mean()), 4), flush=True)
    for step in range(A.steps):
        if step % 250 == 0: say(step)
        for q in opt.param_groups: q["lr"] = LR * min(1, (step + 1) / 50) * (.5 + .5 * np.cos(np.pi * step / A.steps))
        ids = torch.from_numpy(rng.integers(fit, size=BATCH)); s, t = rate(pupil, rows[ids].float()), told[ids]
        # Poisson: as a count of hits would be, the same for a rate that is told as for one that is counted
        loss = (s.exp() - t.exp() * s).mean() + .02 * ((s - t) ** 2).mean(); opt.zero_grad(); loss.backward(); opt.step()
    say(A.steps); np.savez(A.out, **{k: v.detach().numpy() for k, v in pupil.items()})


if __name__ == "__main__": main()
