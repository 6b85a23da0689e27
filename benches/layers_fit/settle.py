#!/usr/bin/env python3
"""The last fit of the layer network: few windows, small steps, from finished weights (normalisations folded in).

usage: settle.py START.npz OUT.npz --rendered PATH... --made PATH... [--share .65] [--steps 3000 | --seconds S] [--lr 3e-4] [--seed 1] [--batch 16] [--check PATH...]
PATH: files or folders of rendered.py and made.py; a folder is looked at again each minute, so that both may still be at work. --share: the part of each
batch that is rendered. Each window gets a smooth random response of its own each time it is used. --check: windows that are only looked at. On an accelerator where there is one.
needs: PyTorch, numpy.
"""
import argparse, math, time
import numpy as np, torch, torch.nn.functional as nf
import augment, features as F, shards
from infer import DILATIONS, OFFSETS
from network import BANDS, CLASSES, DROP

DEVICE = torch.device("cuda" if torch.cuda.is_available() else "cpu")
AVERAGED = .998   # of the running mean of the weights, a step


class Pool:
    """Windows of files, and of what further files come into folders."""
    def __init__(self, paths): self.paths, self.seen, self.kept = paths, set(), {}; self.more()

    def more(self):
        found = [f for f in shards.files(self.paths) if f not in self.seen]
        for f in found:
            with np.load(f) as z:
                for k in ("x", "share", "total", "level"): self.kept.setdefault(k, []).append(torch.from_numpy(z[k]).to(DEVICE))
        self.seen.update(found); self.ends = np.cumsum([len(v) for v in self.kept.get("x", [])])

    def __len__(self): return int(self.ends[-1]) if len(self.ends) else 0

    def of(self, ids):
        """Windows by their numbers, each from its file."""
        which = np.searchsorted(self.ends, ids, side="right"); first = ids - np.concatenate([[0], self.ends])[which]
        return {k: torch.stack([v[w][i] for w, i in zip(which, first)]) for k, v in self.kept.items()}


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
    return [torch.tensor(np.stack([np.interp(np.log2(f), at, one) for one in g]), dtype=torch.float32, device=DEVICE) for f in (CENTRES, FINE)]


def drawn(rng, pool, count):
    e = {k: v.float() if k != "share" else v for k, v in pool.of(rng.integers(len(pool), size=count)).items()}
    broad, fine = responses(rng, count); floor = F.FLOOR
    def moved(v, g): return torch.log10((10 ** v - floor).clamp(min=0) * 10 ** g[:, :, None] + floor)
    e["x"] = torch.cat([moved(e["x"][:, :64], broad), e["x"][:, 64:128], moved(e["x"][:, 128:], fine)], 1); e["total"] = moved(e["total"], broad); return e


def joined(parts): return {k: torch.cat([p[k] for p in parts]) for k in parts[0]}


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("start"); ap.add_argument("out"); ap.add_argument("--rendered", nargs="+", required=True); ap.add_argument("--made", nargs="+", required=True); ap.add_argument("--check", nargs="*", default=[])
    ap.add_argument("--share", type=float, default=.65); ap.add_argument("--steps", type=int, default=3000); ap.add_argument("--seconds", type=float); ap.add_argument("--lr", type=float, default=3e-4); ap.add_argument("--seed", type=int, default=1); ap.add_argument("--batch", type=int, default=16); A = ap.parse_args()
    w = {k: torch.nn.Parameter(torch.from_numpy(v.astype(np.float32)).to(DEVICE)) for k, v in np.load(A.start).items()}; mean = {k: v.detach().clone() for k, v in w.items()}
    pools, check = [Pool(A.rendered), Pool(A.made)], Pool(A.check); kb = torch.tensor(F.band_k_weights(), dtype=torch.float32, device=DEVICE); rng = np.random.default_rng(A.seed); torch.manual_seed(A.seed)
    opt = torch.optim.Adam(w.values(), lr=A.lr); counts = [round(A.batch * A.share)]; counts.append(A.batch - counts[0]); t0 = time.time(); seen = []
    whole = {k: torch.cat(v) for k, v in check.kept.items()}
    class Mean:
        def eval(self): pass
        def __call__(self, x): return forward(mean, x, False)
    def say(step): print(f"{time.time() - t0:6.0f} s, step {step}, windows {[len(p) for p in pools]}", "loss", [round(float(v), 3) for v in torch.tensor(seen[-200:]).mean(0)] if seen else "", "checked", augment.score(Mean(), whole, kb, detail=True)["mean_abs"] if whole else "", flush=True)
    def keep(): shards.write(A.out.removesuffix(".npz"), {k: v.cpu().numpy() for k, v in mean.items()})
    while not all(map(len, pools)):
        time.sleep(5); [p.more() for p in pools]
    say(0); step, looked = 0, time.time()
    while (done := (time.time() - t0) / A.seconds if A.seconds else step / A.steps) < 1:
        for q in opt.param_groups: q["lr"] = A.lr * min(1, (step + 1) / 50) * (.5 + .5 * math.cos(math.pi * done))
        parts = [drawn(rng, pool, n) for pool, n in zip(pools, counts)]; e = joined(parts); z = forward(w, e["x"], True)
        loss, _ = augment.loss(z, e, kb); opt.zero_grad(); loss.backward(); torch.nn.utils.clip_grad_norm_(w.values(), 1.0); opt.step(); step += 1
        with torch.no_grad():
            seen.append([float(augment.loss(z[a:b], {k: v[a:b] for k, v in e.items()}, kb)[0]) for a, b in ((0, counts[0]), (counts[0], A.batch))]) if step % 5 == 1 else None
            for k, v in mean.items(): v.mul_(d := min(AVERAGED, step / (9 + step))).add_(w[k], alpha=1 - d)
        if step % 250 == 0: say(step); keep()
        if time.time() - looked > 60: [p.more() for p in pools]; looked = time.time()
    say(step); keep()


if __name__ == "__main__": main()
