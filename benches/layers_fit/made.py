#!/usr/bin/env python3
"""Random mixtures as train.py makes them, kept: usage: made.py PACKED OUT SEED SONGS [--invented 90217] [--sndfile libsndfile.so] (needs: PyTorch, soundfile or its library, numpy, scipy)
OUT/SEED-K.npz as rendered.py writes them; each song twice, the second time with the players of other songs. Rooms and recorders on an accelerator where there is one."""
import argparse, os
import numpy as np, torch
import augment, mixes, shards, train
from hit_grid import SLOT, on_grid

AT_ONCE, SHARD = 8, 10   # songs; rounds of as many in a file
ap = argparse.ArgumentParser(); ap.add_argument("packed"); ap.add_argument("out"); ap.add_argument("seed", type=int); ap.add_argument("songs", type=int); ap.add_argument("--invented", type=int, default=90217); ap.add_argument("--sndfile"); A = ap.parse_args()
device = torch.device("cuda" if torch.cuda.is_available() else "cpu"); lib, _ = train.libraries(A.packed, A.sndfile, everything=True, invented_seed=A.invented); maker = augment.Maker(device, train.N, train.NFFT, A.packed)
rng = np.random.default_rng(A.seed); g = torch.Generator(device=device); g.manual_seed(A.seed); torch.manual_seed(A.seed); found, total = [], 0; os.makedirs(A.out, exist_ok=True)
for k in range(A.songs // AT_ONCE):
    songs = [mixes.song(rng, lib, train.SECONDS) for _ in range(AT_ONCE)]; dry = torch.from_numpy(np.stack([x for x, _ in songs]))
    hits = torch.from_numpy(np.stack([[on_grid(h, train.STEPS * 2048 // SLOT) for h in both] for _, both in songs])); order = [torch.randperm(AT_ONCE) for _ in range(5)]
    for stems, h in ((dry, hits), (torch.stack([dry[o, c] for c, o in enumerate(order)], 1), torch.stack([hits[order[2], 0], hits[order[3], 1]], 1))):
        with torch.no_grad(): found.append({k: v.cpu().numpy() for k, v in (maker.make(stems.to(device), g) | dict(hits=h)).items()})
    if (k + 1) % SHARD == 0 or k + 1 == A.songs // AT_ONCE:
        shards.write(f"{A.out}/{A.seed}-{k // SHARD}", {k: np.concatenate([f[k] for f in found]) for k in found[0]}); total += len(found) * AT_ONCE; found = []
print(total, "windows")
