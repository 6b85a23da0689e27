#!/usr/bin/env python3
"""Random mixtures as train.py makes them, on the processor, kept: usage: made.py PACKED OUT SEED SONGS [--invented 90217] (needs: PyTorch, soundfile, numpy, scipy)
OUT/SEED.npz as rendered.py writes it; each song twice, the second time with the players of other songs."""
import argparse, os
import numpy as np, torch
import augment, mixes, train

AT_ONCE = 8   # songs
ap = argparse.ArgumentParser(); ap.add_argument("packed"); ap.add_argument("out"); ap.add_argument("seed", type=int); ap.add_argument("songs", type=int); ap.add_argument("--invented", type=int, default=90217); A = ap.parse_args()
lib, _ = train.libraries(A.packed, None, everything=True, invented_seed=A.invented); maker = augment.Maker(torch.device("cpu"), train.N, train.NFFT, A.packed)
rng = np.random.default_rng(A.seed); g = torch.Generator(); g.manual_seed(A.seed); torch.manual_seed(A.seed); found = []
for _ in range(A.songs // AT_ONCE):
    dry = torch.from_numpy(np.stack([mixes.song(rng, lib, train.SECONDS)[0] for _ in range(AT_ONCE)]))
    for stems in (dry, torch.stack([dry[torch.randperm(AT_ONCE, generator=g), c] for c in range(5)], 1)):
        with torch.no_grad(): found.append({k: v.numpy() for k, v in maker.make(stems, g).items()})
os.makedirs(A.out, exist_ok=True); np.savez(f"{A.out}/{A.seed}.npz", **{k: np.concatenate([f[k] for f in found]) for k in found[0]}); print(len(found) * AT_ONCE, "windows")
