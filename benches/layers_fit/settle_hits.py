#!/usr/bin/env python3
"""The last fit of the branch for hits, on a finished network whose weights stay as they are: the windows of settle.py, and the hits in them.

usage: settle_hits.py WEIGHTS.npz HITS.npz OUT_HITS.npz --rendered PATH... --made PATH... [--share .65] [--windows 6000] [--seconds 120] [--lr 1e-3] [--batch 64] [--seed 1]
HITS.npz: the branch to begin with. PATH: as for settle.py; of each kind --windows are kept, by chance, one in ten of them only looked at. On an accelerator where there is one.
needs: PyTorch, numpy. Loss: Poisson likelihood of the counts of all four rates (guitar, keys, either, both); export.py keeps that of either.
"""
import argparse, math, time
import numpy as np, torch
import features as F, shards
from hit_grid import counts
from settle import DEVICE
from teach_hits import EITHER, hidden, rates

HELD = .1        # of the windows, to see how near it comes
AT_ONCE = 64
HEARD_DB = (-22, 8)   # a comping player further under the whole than this teaches nothing; in full so much above it


def read(path): return {k: torch.from_numpy(v.astype(np.float32)).to(DEVICE) for k, v in np.load(path).items()}


def comping_db(share, total):
    """Guitar and keys against the whole, K-weighted, dB [windows]"""
    p = 10.0 ** total.astype(np.float32) * F.band_k_weights()[None, :, None]; s = share[:, 2:4].astype(np.float32).sum(1) / 255
    return 10 * np.log10((s * p).sum((1, 2)) / p.sum((1, 2)) + 1e-9)


def windows(rng, paths, most):
    """x, hits, weight of windows by chance."""
    files = shards.files(paths); out = []
    for f in files:
        with np.load(f) as z: x, share, total, hits = (z[k] for k in ("x", "share", "total", "hits"))
        ids = np.sort(rng.choice(len(x), min(len(x), math.ceil(most / len(files))), replace=False)); there = hits[ids].any((1, 2))
        out.append((x[ids], hits[ids], np.where(there, np.clip((comping_db(share[ids], total[ids]) - HEARD_DB[0]) / HEARD_DB[1], 0, 1), 1).astype(np.float32)))
    mixed = rng.permutation(sum(len(o[0]) for o in out)); return [torch.from_numpy(np.concatenate([o[i] for o in out])[mixed]) for i in range(3)]


def main():
    ap = argparse.ArgumentParser(); [ap.add_argument(a) for a in ("weights", "hits", "out")]; ap.add_argument("--rendered", nargs="+", required=True); ap.add_argument("--made", nargs="+", required=True)
    ap.add_argument("--share", type=float, default=.65); ap.add_argument("--windows", type=int, default=6000); ap.add_argument("--seconds", type=float, default=120); ap.add_argument("--lr", type=float, default=1e-3); ap.add_argument("--batch", type=int, default=64); ap.add_argument("--seed", type=int, default=1); A = ap.parse_args()
    w = read(A.weights); branch = {k: torch.nn.Parameter(v) for k, v in read(A.hits).items()}; mean = {k: v.detach().clone() for k, v in branch.items()}; rng = np.random.default_rng(A.seed); torch.manual_seed(A.seed); kinds = []
    for paths in (A.rendered, A.made):
        x, hits, weight = windows(rng, paths, A.windows); rows = torch.cat([hidden(w, x[i:i + AT_ONCE].to(DEVICE).float()).detach().half() for i in range(0, len(x), AT_ONCE)])
        kinds.append((rows, counts(torch, hits, x.shape[2]).half().to(DEVICE), weight.to(DEVICE)))
    opt = torch.optim.Adam(branch.values(), lr=A.lr); t0 = time.time(); step = 0
    def loss(z, y, weight): z = z.clamp(-14, 3); return ((z.exp() - y * z).sum(2) * weight[:, None]).mean(0)
    def say():
        out = []
        for rows, y, weight in kinds:
            end = int(len(rows) * HELD); z = torch.cat([rates(mean, rows[i:min(i + AT_ONCE, end)].float()) for i in range(0, end, AT_ONCE)]); y, weight = y[:end].float(), weight[:end]; heard = weight > .8
            off = (z.exp() - y).sum(2)[heard, EITHER]; out.append(dict(loss=round(float(loss(z, y, weight)[EITHER]), 2), hits=round(float(y.sum(2)[heard, EITHER].mean()), 1), off=round(float(off.abs().mean()), 2), mean=round(float(off.mean()), 2)))
        print(f"{time.time() - t0:5.0f} s, step {step}, held back:", *out, flush=True)
    with torch.no_grad(): say()
    while (done := (time.time() - t0) / A.seconds) < 1:
        for q in opt.param_groups: q["lr"] = A.lr * min(1, (step + 1) / 50) * (.5 + .5 * math.cos(math.pi * done))
        total = 0
        for (rows, y, weight), part in zip(kinds, (A.share, 1 - A.share)):
            ids = torch.from_numpy(rng.integers(int(len(rows) * HELD), len(rows), size=round(A.batch * part))).to(DEVICE); total = total + part * loss(rates(branch, rows[ids].float()), y[ids].float(), weight[ids]).mean() / 10
        opt.zero_grad(); total.backward(); torch.nn.utils.clip_grad_norm_(branch.values(), 1.0); opt.step(); step += 1
        with torch.no_grad():
            for k, v in mean.items(): v.mul_(d := min(.998, step / (9 + step))).add_(branch[k], alpha=1 - d)
            if step % 250 == 0: say()
    with torch.no_grad(): say()
    np.savez(A.out, **{k: v.cpu().numpy() for k, v in mean.items()})


if __name__ == "__main__": main()
