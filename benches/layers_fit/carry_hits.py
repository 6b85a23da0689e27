#!/usr/bin/env python3
"""Carries the branch for hits over to another network without fitting it anew: its first layer is replaced.

usage: carry_hits.py PACKED OLD_WEIGHTS.npz OLD_HITS.npz NEW_WEIGHTS.npz OUT_HITS.npz [--songs 48] [--seed 501]
needs: PyTorch (the processor is enough), soundfile, numpy, scipy; both networks of the same width.
The first layer of the branch hears the first and the last hidden rows. Least squares with a small ridge finds the weights with which
the new network's rows give what the old ones gave, over random mixtures; no truth is used. The rest of the branch stays.
"""
import argparse
import numpy as np, torch
import augment, infer, mixes, train

RIDGE = .01     # of each row's mean square; units that never answer get the least of it
LEAST = 1e-4
AT_ONCE = 8     # songs


def rows(weights, songs, packed, seed):
    """-> for each of the networks its hidden rows [steps, 2 * WIDTH] over the same mixtures"""
    lib, _ = train.libraries(packed, None); maker = augment.Maker(torch.device("cpu"), train.N, train.NFFT, packed)
    rng = np.random.default_rng(seed); g = torch.Generator(); g.manual_seed(seed); torch.manual_seed(seed); found = [[] for _ in weights]
    for _ in range(songs // AT_ONCE):
        dry = torch.from_numpy(np.stack([mixes.song(rng, lib, train.SECONDS)[0] for _ in range(AT_ONCE)]))
        strangers = torch.stack([dry[torch.randperm(AT_ONCE, generator=g), c] for c in range(5)], 1)
        for stems in (dry, strangers):
            with torch.no_grad(): x = maker.make(stems, g)["x"].float().numpy()
            for w, kept in zip(weights, found): kept += [np.concatenate(infer.hidden(w, one.T), 1) for one in x]
    return [np.concatenate(kept) for kept in found]


def least_squares(x, wanted):
    x = np.concatenate([x, np.ones((len(x), 1), np.float32)], 1); square = x.T @ x / len(x); ridge = (np.diag(square) + LEAST) * RIDGE; ridge[-1] = 0
    return np.linalg.solve(square + np.diag(ridge), x.T @ wanted / len(x))


def main():
    ap = argparse.ArgumentParser(); [ap.add_argument(a) for a in ("packed", "old", "hits", "new", "out")]; ap.add_argument("--songs", type=int, default=48); ap.add_argument("--seed", type=int, default=501)
    a = ap.parse_args(); old, new, branch = ({k: v.astype(np.float32) for k, v in np.load(p).items()} for p in (a.old, a.new, a.hits))
    before, after = rows([old, new], a.songs, a.packed, a.seed); wanted = before @ branch["enter"].T + branch["enter_bias"]
    test = np.arange(len(wanted)) // train.STEPS % 5 == 0; w = least_squares(after[~test], wanted[~test]); left = after[test] @ w[:-1] + w[-1] - wanted[test]
    print("of the variance on held mixtures:", round(1 - float((left ** 2).sum() / ((wanted[test] - wanted[test].mean(0)) ** 2).sum()), 3))
    w = least_squares(after, wanted); branch["enter"], branch["enter_bias"] = w[:-1].T.astype(np.float32), w[-1].astype(np.float32); np.savez(a.out, **branch)


if __name__ == "__main__":
    main()
