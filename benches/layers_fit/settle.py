#!/usr/bin/env python3
"""The last fit of the layer network, on the processor: few windows, small steps, from finished weights (normalisations folded in).

usage: settle.py START.npz OUT.npz --rendered FILE.npz... --made FILE.npz... [--share .65] [--steps 3000] [--lr 3e-4] [--seed 1] [--check FILE.npz...]
FILE.npz: of rendered.py and made.py; --share: the part of each batch that is rendered. Each window gets a smooth random response of its own
each time it is used. --check: windows that are only looked at. needs: PyTorch, numpy.
"""
import argparse, math, time
import numpy as np, torch, torch.nn.functional as nf
import augment, features as F
from infer import DILATIONS, OFFSETS
from network import BANDS, CLASSES, DROP

BATCH = 16
AVERAGED = .998   # of the running mean of the weights, a step


def read(paths):
    kept = [dict(np.load(p)) for p in paths]; return {k: torch.from_numpy(np.concatenate([f[k] for f in kept])) for k in kept[0]} if kept else None


def dense(w, name, x): return nf.conv1d(x, w[name][:, :, None], w[name + "_bias"])


def blocks(w, h, dilations, offsets, drop=False):
    for i, (d, o) in enumerate(zip(dilations, offsets)):
        p = nf.conv1d(nf.pad(h, (-o[0] * d, o[1] * d)), w[f"depth{i}"][:, None, :], groups=h.shape[1], dilation=d)
        h = h + nf.dropout(torch.relu(nf.conv1d(p, w[f"point{i}"][:, :, None], w[f"bias{i}"])), DROP, drop)
    return h


def forward(w, x, drop):
    """x [batch, 272, steps] -> logits [batch, 6, 64, steps]"""
    h = blocks(w, torch.relu(dense(w, "enter", x)), DILATIONS, OFFSETS, drop); return dense(w, "leave", h).view(len(x), CLASSES, BANDS, x.shape[2])


CENTRES = F.inv_erb(F.erb(F.LOW_HZ) + (np.arange(F.BANDS) + .5) / F.BANDS * (F.erb(F.TOP_HZ) - F.erb(F.LOW_HZ)))
FINE = np.array(F.fine_edges()); FINE = (FINE[:-1] + FINE[1:]) / 2 * F.RATE / F.LONG


def responses(rng, count, db=1.5, knots=8):
    """Smooth random responses [count, 64] and [count, 144], log10 of power."""
    at = np.linspace(math.log2(25), math.log2(24000), knots); g = rng.standard_normal((count, knots)) * db / 10
    return [torch.tensor(np.stack([np.interp(np.log2(f), at, one) for one in g]), dtype=torch.float32) for f in (CENTRES, FINE)]


def drawn(rng, pool, count):
    ids = torch.from_numpy(rng.integers(len(pool["x"]), size=count)); e = {k: v[ids].float() if k != "share" else v[ids] for k, v in pool.items()}
    broad, fine = responses(rng, count); floor = F.FLOOR
    def moved(v, g): return torch.log10((10 ** v - floor).clamp(min=0) * 10 ** g[:, :, None] + floor)
    e["x"] = torch.cat([moved(e["x"][:, :64], broad), e["x"][:, 64:128], moved(e["x"][:, 128:], fine)], 1); e["total"] = moved(e["total"], broad); return e


def joined(parts): return {k: torch.cat([p[k] for p in parts]) for k in parts[0]}


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("start"); ap.add_argument("out"); ap.add_argument("--rendered", nargs="+", required=True); ap.add_argument("--made", nargs="+", required=True); ap.add_argument("--check", nargs="*", default=[])
    ap.add_argument("--share", type=float, default=.65); ap.add_argument("--steps", type=int, default=3000); ap.add_argument("--lr", type=float, default=3e-4); ap.add_argument("--seed", type=int, default=1); A = ap.parse_args()
    w = {k: torch.nn.Parameter(torch.from_numpy(v.astype(np.float32))) for k, v in np.load(A.start).items()}; mean = {k: v.detach().clone() for k, v in w.items()}
    pools, check = [read(A.rendered), read(A.made)], read(A.check); kb = torch.tensor(F.band_k_weights(), dtype=torch.float32); rng = np.random.default_rng(A.seed); torch.manual_seed(A.seed)
    opt = torch.optim.Adam(w.values(), lr=A.lr); counts = [round(BATCH * A.share)]; counts.append(BATCH - counts[0]); t0 = time.time(); seen = []
    class Mean:
        def eval(self): pass
        def __call__(self, x): return forward(mean, x, False)
    def say(step): print(f"{time.time() - t0:6.0f} s, step {step}", "loss", [round(float(v), 3) for v in torch.tensor(seen[-200:]).mean(0)] if seen else "", "checked", augment.score(Mean(), check, kb, detail=True)["mean_abs"] if check else "", flush=True)
    say(0)
    for step in range(A.steps):
        for q in opt.param_groups: q["lr"] = A.lr * min(1, (step + 1) / 50) * (.5 + .5 * math.cos(math.pi * step / A.steps))
        parts = [drawn(rng, pool, n) for pool, n in zip(pools, counts)]; e = joined(parts); z = forward(w, e["x"], True)
        loss, _ = augment.loss(z, e, kb); opt.zero_grad(); loss.backward(); torch.nn.utils.clip_grad_norm_(w.values(), 1.0); opt.step()
        with torch.no_grad():
            seen.append([float(augment.loss(z[a:b], {k: v[a:b] for k, v in e.items()}, kb)[0]) for a, b in ((0, counts[0]), (counts[0], BATCH))]) if step % 5 == 0 else None
            for k, v in mean.items(): v.mul_(d := min(AVERAGED, (1 + step) / (10 + step))).add_(w[k], alpha=1 - d)
        if step % 250 == 249: say(step + 1); np.savez(A.out, **{k: v.numpy() for k, v in mean.items()})
    np.savez(A.out, **{k: v.numpy() for k, v in mean.items()})


if __name__ == "__main__": main()
