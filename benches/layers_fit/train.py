#!/usr/bin/env python3
"""Makes mixtures without end on the CPU cores, turns them into rooms and recordings on the accelerator, trains.

usage: train.py LIBRARY_DIR OUT_DIR --seconds S [--seed 1] [--sndfile libsndfile.so] [--all]
       torchrun --nproc_per_node=4 train.py ... (the same on several accelerators of one machine: each makes its own mixtures,
       the gradients are averaged)
needs: PyTorch and CUDA, numpy, scipy; soundfile or, with --sndfile, only its shared library.
--all trains on the held instruments too: the held-out figures are none then. --invented N: another N, other invented instruments. --steps: steps of
training for each sixteen songs.
"""
import argparse, ctypes, json, math, mmap, multiprocessing as mp, os, sys, time
os.environ.setdefault("OMP_NUM_THREADS", "1"); os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from scipy.signal import resample_poly
import invented, mixes, features as F

SECONDS = 20; N = SECONDS * 48000; NFFT = 1 << 20; STEPS = N // 2048
SLOTS = 96
# Held organs and bowed strings are hardly told from wind instruments; they cost more than they bring.
LEFT_OUT = ("16", "17", "18", "40", "42", "48")


class SfInfo(ctypes.Structure):
    _fields_ = [("frames", ctypes.c_int64), ("samplerate", ctypes.c_int), ("channels", ctypes.c_int), ("format", ctypes.c_int), ("sections", ctypes.c_int), ("seekable", ctypes.c_int)]


def reader(so):
    if not so:
        import soundfile; return lambda p: soundfile.read(p, dtype="float32")[0]
    L = ctypes.CDLL(so); L.sf_open.restype = ctypes.c_void_p; L.sf_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(SfInfo)]
    L.sf_readf_float.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int64]; L.sf_readf_float.restype = ctypes.c_int64; L.sf_close.argtypes = [ctypes.c_void_p]
    def read(p):
        i = SfInfo(); h = L.sf_open(p.encode(), 0x10, ctypes.byref(i)); assert h, p
        x = np.zeros(i.frames * i.channels, np.float32); L.sf_readf_float(h, x.ctypes.data, i.frames); L.sf_close(h); return x
    return read


_ARGS = None
def load_notes(notes):
    """The notes of one packed file."""
    lib, so = _ARGS; whole = reader(so)(f"{lib}/{notes[0]['f']}"); out = []
    for n in notes:
        x = resample_poly(whole[n["at"]:n["at"] + n["n"]], 3, 2).astype(np.float32)
        out.append(dict(n, x=sustained(x) if n["cls"] == "horns" or n["inst"][2:] in ("16", "17", "18") else x))
    return out


def sustained(x, seconds=4.0):
    """A held note goes on: its second half is joined to its end again, faded over 0.15 s at equal power."""
    f = int(.15 * 48000); a, b = int(len(x) * .45), int(len(x) * .9)
    if b - a < 3 * f: return x
    loop = x[a:b]; y = x[:b]; up = np.sin(np.linspace(0, np.pi / 2, f, dtype=np.float32)); down = up[::-1]
    while len(y) < seconds * 48000:
        y = np.concatenate([y[:-f], y[-f:] * down + loop[:f] * up, loop[f:]])
    return y


def libraries(path, so, cores=os.cpu_count(), everything=False, invented_seed=90211):
    global _ARGS
    _ARGS = (path, so); idx = [n for n in json.load(open(path + "/index.json")) if n["inst"][2:] not in LEFT_OUT]
    tasks = [(c, i, invented_seed) for c, n in (("bass", 16), ("guitar", 12), ("keys", 18), ("horns", 16), ("drums", 28)) for i in range(n)]
    with mp.get_context("fork").Pool(cores) as p:
        files = {}
        for n in idx: files.setdefault(n["f"], []).append(n)
        notes = [n for done in p.imap(load_notes, files.values()) for n in done]
        notes += [n for made in p.imap(invented.make, tasks) for n in made]
    return mixes.Library([n for n in notes if everything or not n["held"]]), mixes.Library([n for n in notes if n["held"]])


def worker(lib, buf, free, full, seed):
    a = np.frombuffer(buf, np.float16).reshape(SLOTS, 5, N); rng = np.random.default_rng(seed)
    while True:
        s = free.get()
        if s is None: return
        a[s], _ = mixes.song(rng, lib, SECONDS); full.put(s)


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("lib"); ap.add_argument("out"); ap.add_argument("--seconds", type=float, default=400); ap.add_argument("--seed", type=int, default=1); ap.add_argument("--sndfile"); ap.add_argument("--batch", type=int, default=64); ap.add_argument("--ring", type=int, default=40000); ap.add_argument("--start")
    ap.add_argument("--lr", type=float, default=2e-3); ap.add_argument("--all", action="store_true"); ap.add_argument("--invented", type=int, default=90211); ap.add_argument("--steps", type=int, default=5)
    A = ap.parse_args(); t0 = time.time(); os.makedirs(A.out, exist_ok=True)
    rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1)); first = rank == 0
    log = open(A.out + "/log.txt", "w") if first else None
    def say(*x):
        if not first: return
        s = f"{time.time() - t0:6.1f} " + " ".join(str(v) for v in x); print(s, flush=True); log.write(s + "\n"); log.flush()
    cores = max(2, os.cpu_count() // world); lib, held = libraries(A.lib, A.sndfile, cores, A.all, A.invented); say("library read")
    ctx = mp.get_context("fork"); buf = mmap.mmap(-1, SLOTS * 5 * N * 2); free, full = ctx.Queue(), ctx.Queue()
    hbuf = mmap.mmap(-1, SLOTS * 5 * N * 2); hfree, hfull = ctx.Queue(), ctx.Queue()
    procs = [ctx.Process(target=worker, args=(lib, buf, free, full, 1000 * A.seed + 100 * rank + i), daemon=True) for i in range(cores - 1)]
    if first: procs += [ctx.Process(target=worker, args=(held, hbuf, hfree, hfull, 777 + i), daemon=True) for i in range(4)]
    for p in procs: p.start()
    for s in range(SLOTS): free.put(s); hfree.put(s)
    import torch, network, augment, torch.distributed as dist
    if world > 1: torch.cuda.set_device(rank); dist.init_process_group("nccl", device_id=torch.device("cuda", rank))
    torch.manual_seed(A.seed + rank); torch.backends.cuda.matmul.allow_tf32 = True; torch.backends.cudnn.allow_tf32 = True
    dev = torch.device("cuda"); slots = torch.from_numpy(np.frombuffer(buf, np.float16).reshape(SLOTS, 5, N)); hslots = torch.from_numpy(np.frombuffer(hbuf, np.float16).reshape(SLOTS, 5, N))
    mk = augment.Maker(dev, N, NFFT, A.lib)
    for b in (buf, hbuf):
        a = np.frombuffer(b, np.float16); say("pinned", torch.cuda.cudart().cudaHostRegister(a.ctypes.data, a.nbytes, 0))
    dry = torch.empty((16, 5, N), dtype=torch.float16, device=dev)
    def fetch(slots, ids):
        for i, s in enumerate(ids): dry[i].copy_(slots[s], non_blocking=True)
        torch.cuda.synchronize(); return dry.float()
    t = np.random.default_rng(0).standard_normal(N).astype(np.float32) * .1; t[: N // 3] *= .1; t[N // 2:] *= np.sin(np.arange(N - N // 2) * .3).astype(np.float32)
    got = mk.inputs(torch.tensor(t, device=dev)[None])[0][0].T.cpu().numpy(); want = F.features(t)[0][: STEPS]
    dif = np.abs(got[:, :] - want).max(0); say("features against the numpy reference, worst", dif[:64].max(), dif[64:128].max(), dif[128:].max())
    assert dif.max() < .02
    # Held-out set: other instruments, fixed.
    val = []
    g = torch.Generator(device=dev); g.manual_seed(4242)
    for i in range(0, SLOTS if first else 0, 16):
        ids = [hfull.get() for _ in range(16)]; val.append(mk.make(fetch(hslots, ids), g))
    for _ in range(4): hfree.put(None)
    if first: val = {k: torch.cat([v[k] for v in val]) for k in val[0]}; say("held-out set", val["x"].shape[0])
    ring = {}; fill = 0; made = 0
    g.manual_seed(A.seed + 100 * rank)
    def take():
        nonlocal fill, made
        ids = [full.get() for _ in range(16)]; x = fetch(slots, ids)
        for s in ids: free.put(s)
        for use in range(3):
            # The last time the players are strangers: each stem from another song.
            if use == 2: x = torch.stack([x[torch.randperm(16, device=dev, generator=g), c] for c in range(5)], 1)
            e = mk.make(x, g)
            if not ring:
                for k, v in e.items(): ring[k] = torch.empty((A.ring,) + v.shape[1:], dtype=v.dtype, device=dev)
            o = made % (A.ring - 16)
            for k, v in e.items(): ring[k][o:o + 16] = v
            made += 16; fill = max(fill, min(made, A.ring - 16))
    while made < 640: take()
    x = ring["x"][:640].float(); net = network.LayerNet(x.mean((0, 2)), x.std((0, 2)) + 1e-3).to(dev); del x
    if A.start and A.start.endswith(".f16"): network.unfolded(net, A.start, ring["x"][:128].float())
    elif A.start: net.load_state_dict(torch.load(A.start))
    def together():
        """The first accelerator's numbers are everybody's."""
        for v in net.state_dict().values():
            if world > 1: dist.broadcast(v, 0)
    together(); ema = network.LayerNet().to(dev); ema.load_state_dict(net.state_dict())
    if first: say("at the start, held", augment.score(ema, val, torch.tensor(F.band_k_weights(), device=dev, dtype=torch.float32), detail=True))
    opt = torch.optim.AdamW(net.parameters(), lr=A.lr, weight_decay=1e-3); kb = torch.tensor(F.band_k_weights(), device=dev, dtype=torch.float32)
    say("first examples; weights", sum(p.numel() for p in net.parameters()), "GPU GB", round(torch.cuda.memory_allocated() / 1e9, 1))
    spent = [0.0, 0.0]; step = bad = 0; acc = []; last = time.time() - 15
    def share_of_time():
        """How much of the time is over, by the first clock."""
        f = torch.tensor([(time.time() - t0) / A.seconds], device=dev, dtype=torch.float64)
        if world > 1: dist.broadcast(f, 0)
        return float(f)
    def averaged():
        if world == 1: return
        flat = torch.cat([p.grad.flatten() for p in net.parameters()]); dist.all_reduce(flat); at = 0; flat /= world
        for p in net.parameters(): p.grad.copy_(flat[at:at + p.numel()].view_as(p)); at += p.numel()
    frac = 0.0
    while frac < 1:
        t = time.time()
        if fill < 1500 or full.qsize() >= 16: take(); torch.cuda.synchronize()
        spent[0] += time.time() - t; t = time.time()
        frac = share_of_time()
        for q in opt.param_groups: q["lr"] = A.lr * min(1, (step + 1) / 300) * (0.5 + 0.5 * math.cos(math.pi * min(1, frac)))
        for _ in range(A.steps):
            ids = torch.randint(0, fill, (A.batch,), device=dev, generator=g); e = {k: v[ids] for k, v in ring.items()}
            with torch.autocast("cuda", dtype=torch.bfloat16): z = net(e["x"].float())
            loss, parts = augment.loss(z.float(), e, kb)
            opt.zero_grad(set_to_none=True); loss.backward(); averaged(); norm = torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0); step += 1
            if torch.isfinite(norm): opt.step()
            else: bad += 1
            if step % 500 == 0: together()
            network.follow(ema, net, step); acc.append(parts)
        torch.cuda.synchronize(); spent[1] += time.time() - t
        if bad > 50: say("not finite"); sys.exit(3)
        if first and time.time() - last > 30:
            last = time.time(); a = torch.stack(acc).mean(0).tolist(); acc = []
            say("s making, training", [round(v) for v in spent], "ready", full.qsize(), "bad", bad, f"step {step} made {made}", "train", [round(v, 3) for v in a], "held", augment.score(ema, val, kb))
            torch.save(ema.state_dict(), A.out + "/net.pt")
    for p in procs: p.terminate()
    if world > 1: dist.barrier()
    if not first: return
    say("end", f"step {step} made {made}", "held", augment.score(ema, val, kb, detail=True, dump=A.out + "/held_errors.npz"))
    ema.eval(); w = network.folded(ema); np.savez(A.out + "/weights.npz", **w); torch.save(ema.state_dict(), A.out + "/net.pt")
    with torch.no_grad(): xv = val["x"][:1, :, :120].float(); np.savez(A.out + "/vector.npz", x=xv[0].T.cpu().numpy(), z=ema(xv)[0].permute(2, 0, 1).cpu().numpy())


if __name__ == "__main__":
    main()
