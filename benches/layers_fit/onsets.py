#!/usr/bin/env python3
"""Fits the hits of guitar and keys onto the finished layer network: its weights stay as they are, a small branch is added.

usage: onsets.py LIBRARY_DIR OUT_DIR --trunk weights.f16 --seconds S [--seed 1] [--sndfile libsndfile.so]
needs: what train.py needs.
The branch hears the first and the last hidden row of each step and answers four rates: hits a step of the guitar, of the keys,
of either (one that both play counts once) and of both at once. Loss: Poisson likelihood of the counts.
"""
import argparse, math, mmap, multiprocessing as mp, os, time
os.environ.setdefault("OMP_NUM_THREADS", "1"); os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
import mixes
from hit_grid import SLOT, counts, on_grid
from train import NFFT, N, SECONDS, SLOTS, STEPS, libraries

GRID = N // SLOT


def worker(lib, buf, hbuf, free, full, seed):
    a = np.frombuffer(buf, np.float16).reshape(SLOTS, 5, N); h = np.frombuffer(hbuf, np.uint8).reshape(SLOTS, 2, GRID); rng = np.random.default_rng(seed)
    while True:
        s = free.get()
        if s is None: return
        a[s], hits = mixes.song(rng, lib, SECONDS)
        for i in range(2): h[s, i] = on_grid(hits[i], GRID)
        full.put(s)


def trunk(torch, net, x):
    """First and last hidden rows [B, 2 * HIDDEN, T]."""
    with torch.no_grad():
        x = (x - net.mean[:, None]) / net.std[:, None]; h = first = torch.relu(net.enter_norm(net.enter(x)))
        for b in net.blocks: h = b(h)
    return torch.cat([first, h], 1)


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("lib"); ap.add_argument("out"); ap.add_argument("--trunk", required=True); ap.add_argument("--seconds", type=float, default=400); ap.add_argument("--seed", type=int, default=1); ap.add_argument("--sndfile"); ap.add_argument("--batch", type=int, default=64); ap.add_argument("--ring", type=int, default=30000); ap.add_argument("--lr", type=float, default=2e-3); ap.add_argument("--start")
    A = ap.parse_args(); t0 = time.time(); os.makedirs(A.out, exist_ok=True); log = open(A.out + "/log.txt", "w")
    def say(*x): s = f"{time.time() - t0:6.1f} " + " ".join(str(v) for v in x); print(s, flush=True); log.write(s + "\n"); log.flush()
    lib, held = libraries(A.lib, A.sndfile); say("library read")
    ctx = mp.get_context("fork"); feeds = []
    cores = os.cpu_count()
    for which, many, first in ((lib, max(1, cores - 1), 1000 * A.seed), (held, 4, 777)):
        f = dict(buf=mmap.mmap(-1, SLOTS * 5 * N * 2), hits=mmap.mmap(-1, SLOTS * 2 * GRID), free=ctx.Queue(), full=ctx.Queue()); feeds.append(f)
        f["procs"] = [ctx.Process(target=worker, args=(which, f["buf"], f["hits"], f["free"], f["full"], first + i), daemon=True) for i in range(many)]
        for p in f["procs"]: p.start()
        for s in range(SLOTS): f["free"].put(s)
    import torch, network, augment
    torch.manual_seed(A.seed); torch.backends.cuda.matmul.allow_tf32 = True; torch.backends.cudnn.allow_tf32 = True; dev = torch.device("cuda"); mk = augment.Maker(dev, N, NFFT, A.lib); g = torch.Generator(device=dev)
    for f in feeds:
        f["x"] = torch.from_numpy(np.frombuffer(f["buf"], np.float16).reshape(SLOTS, 5, N)); f["h"] = torch.from_numpy(np.frombuffer(f["hits"], np.uint8).reshape(SLOTS, 2, GRID))
        a = np.frombuffer(f["buf"], np.float16); torch.cuda.cudart().cudaHostRegister(a.ctypes.data, a.nbytes, 0)
    dry = torch.empty((16, 5, N), dtype=torch.float16, device=dev)
    def take(f, uses, again):
        """16 songs -> examples; the last of several uses makes every stem come from another song."""
        ids = [f["full"].get() for _ in range(16)]
        for i, s in enumerate(ids): dry[i].copy_(f["x"][s], non_blocking=True)
        h = f["h"][ids].to(dev); torch.cuda.synchronize(); x = dry.float()
        for s in ids: f["free"].put(s if again else None)
        for use in range(uses):
            if use == 2:
                order = [torch.randperm(16, device=dev, generator=g) for _ in range(5)]
                x = torch.stack([x[o, c] for c, o in enumerate(order)], 1); h = torch.stack([h[order[2], 0], h[order[3], 1]], 1)
            e = mk.make(x, g); p, s, share = augment.prepare(e); k, t = augment.loudness(share * s[:, None], mk.kb, STEPS)
            # A comping player who is covered teaches nothing but silence.
            rel = 10 * torch.log10(k[:, 2, 0] / (t[:, 0] + 1e-20) + 1e-9); there = h.flatten(1).any(1)
            yield dict(x=e["x"], y=counts(torch, h, STEPS).to(torch.uint8), w=torch.where(there, ((rel + 22) / 8).clamp(0, 1), torch.ones_like(rel)).half(), rel=rel.half())
    g.manual_seed(4242); val = [v for _ in range(SLOTS // 16) for v in take(feeds[1], 1, False)]
    val = {k: torch.cat([v[k] for v in val]) for k in val[0]}; say("held-out set", val["x"].shape[0])
    g.manual_seed(A.seed); ring = {}; made = fill = 0
    def more():
        nonlocal made, fill
        for e in take(feeds[0], 3, True):
            if not ring:
                for k, v in e.items(): ring[k] = torch.empty((A.ring,) + v.shape[1:], dtype=v.dtype, device=dev)
            o = made % (A.ring - 16)
            for k, v in e.items(): ring[k][o:o + 16] = v
            made += 16; fill = max(fill, min(made, A.ring - 16))
    while made < 640: more()
    x = ring["x"][:640].float(); net = network.LayerNet(x.mean((0, 2)), x.std((0, 2)) + 1e-3).to(dev); network.unfolded(net, A.trunk, x[:128]); net.eval(); del x
    # Several sizes can be fitted at once, on the same examples.
    heads = {n: network.HitBranch(*size).to(dev) for n, size in dict(small=(64, [1, 1]), middle=(96, [1, 1, 2]), large=(144, [1, 1, 2, 4])).items()}
    if A.start:
        for n, h in heads.items(): h.load_state_dict(torch.load(f"{A.start}/{n}.pt"))
    emas = {}
    for n, h in heads.items(): emas[n] = network.HitBranch(h.width, h.distances).to(dev); emas[n].load_state_dict(h.state_dict())
    opts = {n: torch.optim.AdamW(h.parameters(), lr=A.lr, weight_decay=1e-3) for n, h in heads.items()}
    say("weights", {n: sum(p.numel() for p in h.parameters()) for n, h in heads.items()})
    def losses(z, y, w):
        """Poisson, every head of the four, weighted."""
        z = z.clamp(-14, 3); return ((torch.exp(z) - y * z).sum(2) * w[:, None]).mean(0)
    @torch.no_grad()
    def score():
        out = {}
        for n, h in emas.items():
            h.eval(); ps, ls = [], []
            for i in range(0, val["x"].shape[0], 16):
                z = h(trunk(torch, net, val["x"][i:i + 16].float())); ps.append(torch.exp(z).sum(2)); ls.append(losses(z, val["y"][i:i + 16].float(), val["w"][i:i + 16].float()))
            p = torch.cat(ps); y = val["y"].float().sum(2); use = val["rel"].float() > -15; d = (p - y)[use]
            out[n] = [round(float(v), 2) for v in torch.stack(ls).mean(0)] + ["abs", [round(float(v), 1) for v in d.abs().mean(0)], "bias", [round(float(v), 1) for v in d.mean(0)]]
        return out, [round(float(v), 1) for v in val["y"].float().sum(2)[val["rel"].float() > -15].std(0)]
    step = 0; last = time.time() - 15; acc = []
    while time.time() - t0 < A.seconds:
        if fill < 1500 or feeds[0]["full"].qsize() >= 16: more()
        frac = min(1, (time.time() - t0) / A.seconds)
        for _ in range(4):
            ids = torch.randint(0, fill, (A.batch,), device=dev, generator=g); x, y, w = ring["x"][ids].float(), ring["y"][ids].float(), ring["w"][ids].float()
            with torch.autocast("cuda", dtype=torch.bfloat16): hidden = trunk(torch, net, x)
            hidden = hidden.float(); step += 1
            for n, h in heads.items():
                for q in opts[n].param_groups: q["lr"] = A.lr * min(1, step / 300) * (.5 + .5 * math.cos(math.pi * frac))
                l = losses(h(hidden), y, w); loss = l.mean() / 10; opts[n].zero_grad(set_to_none=True); loss.backward(); norm = torch.nn.utils.clip_grad_norm_(h.parameters(), 1.0)
                if torch.isfinite(norm): opts[n].step()
                network.follow(emas[n], h, step); acc.append(l.detach())
        if time.time() - last > 40:
            last = time.time(); say(f"step {step} made {made}", "ready", feeds[0]["full"].qsize(), "train", [round(float(v), 2) for v in torch.stack(acc).mean(0)], "held", score()); acc = []
            for n, h in emas.items(): torch.save(h.state_dict(), f"{A.out}/{n}.pt")
    say("end", f"step {step} made {made}", "held", score())
    for n, h in emas.items():
        torch.save(h.state_dict(), f"{A.out}/{n}.pt"); np.savez(f"{A.out}/{n}.npz", **network.folded_hits(h))
    with torch.no_grad():
        x = val["x"][:1, :, :120].float(); np.savez(A.out + "/vector.npz", x=x[0].T.cpu().numpy(), **{n: h(trunk(torch, net, x))[0].T.cpu().numpy() for n, h in emas.items()})
    for f in feeds:
        for p in f["procs"]: p.terminate()


if __name__ == "__main__":
    main()
