#!/usr/bin/env python3
"""The network of the guitar (`src/measure/tuning/guitar_net.rs`), fitted anew.
usage: guitar.py pack OUT.npz ROWS=TAPES ...    rows of `cargo bench --bench tuning_tapes -- --rows`, and the folder of the tapes they are of
       guitar.py cross PACK.npz OUT.pkl [SEED]   five folds by tape, and each recorded guitar held out: the offsets of the takes held out
       guitar.py fit PACK.npz OUT.npz SEED       on all takes of sets that are not LOOKED_AT
       guitar.py write FITTED.npz GUITAR.f16 FIXTURE.json   half-precision weights for the program, and a short vector for its test
needs: numpy, torch; pack also the scenarios that mixes.py keeps beside its tapes (whose guitar is a recorded one)."""
import json, os, pickle, sys
os.environ.setdefault("OMP_NUM_THREADS", "1")
import numpy as np
wrap = lambda c: (np.asarray(c) + 50) % 100 - 50
OFF = np.arange(100) - 50.0
UNITS, INPUTS, OUTPUTS = (96, 32), 242, 8
LOOKED_AT = ("shared", "demo")  # never fitted on
NEAR_S, NEAR_CENTS = 0.13, 45  # a partial is of a guitar note that begins and lies this near
DROP, DECAY, RATE, FINE_RATE, EPOCHS, ROUNDS, TAKES_A_STEP, SHORTEST_S = 0.35, 1e-3, 2e-3, 5e-4, 5, 80, 8, 20
PARTIALS_COUNT, TAKE_COUNTS, SOFT_CENTS, ROW_COUNTS = 0.3, 0.3, 2.0, 600


def weighted_median(x, w):
    o = np.argsort(x); c = np.cumsum(np.asarray(w)[o]); return np.asarray(x)[o][np.searchsorted(c, c[-1] / 2)]


def pack(out, sources):
    meta, X, label, place = [], [], [], []
    for source in sources:
        rows, tapes = source.split("="); tag = os.path.basename(rows.rstrip("/"))
        scenarios = [json.load(open(f"{tapes}/{f}")) for f in os.listdir(tapes) if f.endswith(".scenario")]
        kit = {s["name"]: (s.get("kit", {}).get("guitar") or "").split("/")[-1] for all_ in scenarios for s in all_}
        for f in sorted(f for f in os.listdir(rows) if f.endswith(".json")):
            name = f[:-5]; T = json.loads(open(f"{tapes}/{name}.truth.json").read().replace("-Infinity", "null").replace("NaN", "null"))
            table = np.fromfile(f"{rows}/{name}.rows", "<f4").reshape(-1, 2 + INPUTS); at = 0
            for i, (take, t) in enumerate(zip(T["takes"], json.load(open(f"{rows}/{f}")))):
                own = table[at:at + t["rows"]]; at += t["rows"]
                notes = [n for n in T["notes"].get("guitar", []) if take["start"] <= n["t"] < take["end"]]
                y = np.zeros((len(own), 2), np.float32)
                if notes:
                    nt = np.array([n["t"] for n in notes]); nc = np.array([100 * n["key"] + n["cents"] for n in notes])
                    for k, r in enumerate(own):
                        near = np.where((np.abs(nt - r[0]) < NEAR_S) & (np.abs(nc - r[1]) < NEAR_CENTS))[0]
                        if len(near): y[k] = 1, r[1] - nc[near[np.argmin(np.abs(nc[near] - r[1]))]]
                truth = float(weighted_median([n["cents"] for n in notes], [n["d"] for n in notes])) if notes else None
                meta.append(dict(name=name, set=tag, take=i, has=bool(notes), truth=truth, band=t["band"], seconds=t["seconds"], kit=kit.get(name, ""), n=len(own)))
                X.append(own[:, 2:].astype(np.float16)); place.append(own[:, :2]); label.append(y)
    np.savez_compressed(out, X=np.concatenate(X), place=np.concatenate(place), label=np.concatenate(label), meta=json.dumps(meta))
    print(len(meta), "takes", sum(m["n"] for m in meta), "rows")


def load(path):
    Z = np.load(path); X, place, label = Z["X"].astype(np.float32), Z["place"].astype(float), Z["label"]; at = 0; takes = []
    for m in json.loads(str(Z["meta"])):
        k = slice(at, at + m["n"]); at += m["n"]
        if m["n"]: takes.append(dict(m, X=X[k], at_s=place[k, 0], cents=place[k, 1], key=np.round(place[k, 1] / 100).astype(int), y=label[k, 0], dev=label[k, 1]))
    return takes


def middle_and_half(q):
    """As circle.rs."""
    mode = int(q.argmax()); x = np.arange(-50, 50); v = q[(mode + x) % 100]; at = np.cumsum(v) - v / 2
    cut = lambda z: np.interp(z, at, x)
    return float(wrap(OFF[mode] + cut(.5))), float((cut(.975) - cut(.025)) / 2)


def torch_parts():
    import torch
    from torch import nn
    circle = torch.tensor(OFF, dtype=torch.float32); turn = torch.tensor((np.arange(100)[:, None] - np.arange(100)) % 100)
    away = torch.tensor(np.minimum(np.arange(100), 100 - np.arange(100)), dtype=torch.float32)
    around = lambda x: torch.remainder(x + 50, 100) - 50

    class Model(nn.Module):
        """The network, and what guitar.rs makes of its answers; the constants of guitar.rs are fitted too."""
        def __init__(s):
            super().__init__(); a, b = UNITS
            s.net = nn.Sequential(nn.Dropout(DROP / 2), nn.Linear(INPUTS, a), nn.SiLU(), nn.Dropout(DROP), nn.Linear(a, b), nn.SiLU(), nn.Linear(b, 3))
            s.free = nn.Parameter(torch.tensor([0.85, np.log(4.0), 0.85, np.log(5.0)], dtype=torch.float32))

        def constants(s):
            power, key, share, band = s.free
            return torch.sigmoid(power), torch.exp(key), torch.sigmoid(share), torch.exp(band)

        def answers(s, x):
            o = s.net(x); return o[:, 0], torch.clamp(o[:, 1] + 1.6, 0.3, 3.2), 3 * o[:, 2]

        def offsets(s, cents, key, band, answers):
            power, key_sigma, share, band_sigma = s.constants(); odds, log_sigma, sharp = answers
            p, sigma, c = torch.sigmoid(odds), torch.exp(log_sigma), cents - sharp
            at_band = torch.full_like(c, .01) if band is None else torch.exp(-.5 * (around(c - band) / band_sigma) ** 2) / (band_sigma * 2.5066)
            other = (1 - p) * (share * at_band + (1 - share) / 100)
            own = (p * .375 / sigma)[:, None] * (1 + (around(c[:, None] - circle) / sigma[:, None]) ** 2 / 4) ** -2.5
            keys, which = torch.unique(key, return_inverse=True)
            cells = torch.zeros(len(keys), 100).index_add(0, which, power * torch.log(own + other[:, None] + 1e-9))
            kernel = (1 + (away / key_sigma) ** 2 / 4) ** -2.5; kernel = kernel / kernel.sum()
            return torch.log_softmax(torch.log(torch.softmax(cells, 1) @ kernel[turn].T + 1e-3).sum(0), 0)
    return torch, Model


def partials_loss(torch, answers, y, dev, w):
    odds, log_sigma, sharp = answers; z = (dev - sharp) / torch.exp(log_sigma)
    return ((torch.nn.functional.binary_cross_entropy_with_logits(odds, y, reduction="none") + y * (2.5 * torch.log1p(z * z / 4) + log_sigma)) * w).mean()


def fit(takes, seed):
    """Each partial alone first, then chance pieces of takes so that the truth of the take comes out likely."""
    torch, Model = torch_parts(); torch.set_num_threads(1); torch.manual_seed(seed); chance = np.random.default_rng(seed)
    x = np.concatenate([t["X"] for t in takes]); mean, spread = x.mean(0), x.std(0) + .05; T = lambda a: torch.tensor(np.asarray(a), dtype=torch.float32)
    x = T((x - mean) / spread); y = T(np.concatenate([t["y"] for t in takes])); dev = T(np.concatenate([t["dev"] for t in takes]))
    w = T(np.concatenate([np.full(t["n"], ROW_COUNTS / t["n"]) for t in takes])); model = Model(); model.train()
    steps = EPOCHS * (len(x) // 512); op = torch.optim.AdamW(model.net.parameters(), lr=RATE, weight_decay=DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(op, RATE, total_steps=steps + 1)
    for _ in range(EPOCHS):
        order = torch.randperm(len(x))
        for i in range(0, len(x) // 512 * 512, 512):
            k = order[i:i + 512]; op.zero_grad(); partials_loss(torch, model.answers(x[k]), y[k], dev[k], w[k]).backward(); op.step(); rate.step()
    steps = ROUNDS * (len(takes) // TAKES_A_STEP); ends = np.cumsum([0] + [t["n"] for t in takes])
    op = torch.optim.AdamW([dict(params=model.net.parameters()), dict(params=[model.free], weight_decay=0)], lr=FINE_RATE, weight_decay=DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(op, [FINE_RATE, 5e-3], total_steps=steps + 1)
    for _ in range(steps):
        op.zero_grad(); total = torch.zeros(())
        for i in chance.choice(len(takes), TAKES_A_STEP, replace=False):
            t = takes[i]; a, b = t["at_s"].min(), t["at_s"].max(); long = chance.uniform(min(SHORTEST_S, b - a), b - a); start = chance.uniform(a, b - long)
            rows = np.where((t["at_s"] >= start) & (t["at_s"] <= start + long))[0]
            if len(rows) < 30: continue
            k = torch.tensor(ends[i] + rows); answers = model.answers(x[k]); total = total + PARTIALS_COUNT * partials_loss(torch, answers, y[k], dev[k], torch.ones(len(k)))
            if t["has"]:
                q = T(np.exp(-.5 * (wrap(OFF - t["truth"]) / SOFT_CENTS) ** 2))
                total = total - TAKE_COUNTS * (q / q.sum() * model.offsets(T(t["cents"][rows]), torch.tensor(t["key"][rows]), t["band"], answers)).sum()
        if total.requires_grad:
            (total / TAKES_A_STEP).backward(); torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0); op.step()
        rate.step()
    model.eval(); return model, mean, spread


def told(fitted, t):
    torch, _ = torch_parts(); model, mean, spread = fitted
    with torch.no_grad():
        answers = model.answers(torch.tensor((t["X"] - mean) / spread, dtype=torch.float32))
        q = np.exp(model.offsets(torch.tensor(t["cents"], dtype=torch.float32), torch.tensor(t["key"]), t["band"], answers).numpy().astype(float))
    p = torch.sigmoid(answers[0]).numpy(); cents, half = middle_and_half(q / q.sum())
    return {k: t[k] for k in ("name", "set", "take", "has", "truth", "band", "kit", "n", "seconds")} | dict(cents=cents, half=half, mean_p=float(p.mean()), rate=float(p.sum() / t["seconds"]))


def figures(rows):
    d = np.array([wrap(r["cents"] - r["truth"]) for r in rows if r["has"]]); e = abs(d); h = np.array([r["half"] for r in rows if r["has"]])
    return f"{len(e)} takes: median {np.median(e):.2f} mean {e.mean():.2f} nine in ten {np.quantile(e, .9):.1f} worst {e.max():.1f}; signed {d.mean():.1f}; half {np.median(h):.1f}" if len(e) else "none"


def one_fold(job):
    path, held, seed = job; takes = load(path); names = sorted({t["name"] for t in takes if t["set"] not in LOOKED_AT})
    fold = {n: i % 5 for i, n in enumerate(np.random.default_rng(5).permutation(names))}
    out = lambda t: t["kit"] == held if isinstance(held, str) else fold.get(t["name"]) == held
    fitted = fit([t for t in takes if t["set"] not in LOOKED_AT and not out(t)], seed)
    rows = [told(fitted, t) for t in takes if out(t) or t["set"] in LOOKED_AT]
    print(f"held out {held} (seed {seed}):", figures([r for r in rows if r["set"] not in LOOKED_AT]), *(f"| {s}: " + figures([r for r in rows if r["set"] == s]) for s in LOOKED_AT), [round(float(c.detach()), 2) for c in fitted[0].constants()], flush=True)
    return held, seed, rows


def layers(path):
    """Weights and biases of the three layers, the inputs' mean and spread taken in, the last padded."""
    Z = np.load(path); w = [(Z[f"net.{i}.weight"], Z[f"net.{i}.bias"]) for i in (1, 4, 6)]
    first = w[0][0] / Z["spread"]; last = [np.concatenate([a, np.zeros((OUTPUTS - 3,) + a.shape[1:])]) for a in w[2]]
    return [(first, w[0][1] - first @ Z["mean"]), w[1], tuple(last)]


def write(path, out, fixture):
    half = [(a.astype("<f2"), b.astype("<f2")) for a, b in layers(path)]; open(out, "wb").write(b"".join(a.tobytes() + b.tobytes() for a, b in half))
    rows = np.round(np.random.default_rng(5).normal(0, .8, (4, INPUTS)), 2); x = rows
    for i, (a, b) in enumerate(half):
        x = x @ a.astype(float).T + b.astype(float); x = x / (1 + np.exp(-x)) if i < 2 else x
    p, sigma, sharp = 1 / (1 + np.exp(-x[:, 0])), np.exp(np.clip(x[:, 1] + 1.6, .3, 3.2)), 3 * x[:, 2]
    json.dump(dict(source="guitar.py on the weights of guitar.f16, in double precision", inputs=rows.tolist(), answers=np.round(np.stack([p, sigma, sharp], 1), 5).tolist()), open(fixture, "w"))
    print("constants", dict(zip(("track power", "key sigma", "band share", "band sigma"), np.load(path)["constants"].round(3))), "largest", max(float(np.abs(a).max()) for a, _ in half))


if __name__ == "__main__":
    what, args = sys.argv[1], sys.argv[2:]
    if what == "pack": pack(args[0], args[1:])
    elif what == "write": write(*args)
    elif what == "fit":
        model, mean, spread = fit([t for t in load(args[0]) if t["set"] not in LOOKED_AT], int(args[2]))
        np.savez(args[1], mean=mean, spread=spread, constants=[float(c.detach()) for c in model.constants()], **{k: v.numpy() for k, v in model.state_dict().items() if k != "free"})
    elif what == "cross":
        import multiprocessing
        seeds = [int(s) for s in args[2:]] or [0]; kits = sorted({t["kit"] for t in load(args[0])} - {""})
        with multiprocessing.Pool(min(15, os.cpu_count())) as pool:
            done = pool.map(one_fold, [(args[0], h, s) for s in seeds for h in [0, 1, 2, 3, 4] + kits], chunksize=1)
        pickle.dump(done, open(args[1], "wb"))
        for s in seeds: print("all five folds, seed", s, figures([r for h, z, rows in done if not isinstance(h, str) and z == s for r in rows if r["set"] not in LOOKED_AT]))
