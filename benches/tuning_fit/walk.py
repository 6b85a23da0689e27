#!/usr/bin/env python3
"""The network of the bass line (`src/measure/tuning/walk_net.rs`), fitted anew.
usage: walk.py fit OUT.pt SEED STEPS ROWS=TAPES ...   rows of `cargo bench --bench tuning_tapes -- --walk-rows`, and the folder of the tapes they are of
       walk.py test FITTED.pt ROWS=TAPES ...          share of the frames on the right key, set by set
       walk.py write FITTED.pt WALK.f16 FIXTURE.json ROWS=TAPES   half-precision weights for the program, and a short vector for its test
needs: numpy, torch."""
import json, os, sys, time
os.environ.setdefault("OMP_NUM_THREADS", "2")
import numpy as np, torch
from torch import nn
KEYS, HEARD, FIRST, UNITS, TAPS, NEIGHBOURS, LANES = 29, 18, 32, 16, 17, (12, -12, 7, -7, 5, -5), 8
FRAMES, TAKES, RATE, DECAY = 128, 8, 4e-3, 1e-4
AROUND_S = 0.5  # of the count-off and of what rings on after a take so much is fitted on
BEGUN_S, ENDED_S = 0.06, 0.02  # a note is on its key from so long after its start to so long before its end


def takes(source):
    """Name, what is heard (frame, key, multiple), key of each frame (KEYS: no bass, -1: between notes), octaves of the lowest key from MIDI 36."""
    rows, tapes = source.split("="); out = []
    for f in sorted(f for f in os.listdir(rows) if f.endswith(".json")):
        name = f[:-5]; T = json.loads(open(f"{tapes}/{name}.truth.json").read().replace("-Infinity", "null").replace("NaN", "null"))
        all_ = np.fromfile(f"{rows}/{name}.walk", np.uint8).reshape(-1, KEYS, HEARD); at = 0
        for take, t_take in zip(json.load(open(f"{rows}/{f}")), T["takes"]):
            x = all_[at:at + take["frames"]]; at += take["frames"]; t = take["first_s"] + take["step_s"] * np.arange(len(x))
            y = np.full(len(x), -1); on = np.zeros(len(x), bool)
            for n in T["notes"].get("bass", []):
                if not len(t) or not t[0] <= n["t"] < t[-1]: continue
                # The key nearest to what was played: a grid may stand half a semitone away from the numbers of the notes.
                key = round(n["key"] + n["cents"] / 100 - take["lowest_midi"])
                on |= (t >= n["t"] + ENDED_S) & (t < n["t"] + n["d"] + ENDED_S)
                if 0 <= key < KEYS: y[(t >= n["t"] + BEGUN_S) & (t < n["t"] + n["d"] - ENDED_S)] = key
            y[~on] = KEYS
            y[(t < t_take["start"] - AROUND_S) | (t >= t_take["end"] + AROUND_S)] = -1
            if len(x): out.append((f"{os.path.basename(rows.rstrip('/'))}/{name}", x, y.astype(np.int64), (take["lowest_midi"] - 36) / 12))
    return out


def neighbour(u, away):
    """Units of the key that lies so many semitones above each; zero where there is none."""
    z = torch.zeros_like(u)
    if away > 0: z[:, :, :-away] = u[:, :, away:]
    else: z[:, :, -away:] = u[:, :, :away]
    return z


class Net(nn.Module):
    def __init__(self):
        super().__init__()
        self.enter, self.middle = nn.Linear(HEARD + 2, FIRST), nn.Linear(FIRST, UNITS)
        self.taps = nn.Conv1d(UNITS, UNITS, TAPS, padding=TAPS // 2, groups=UNITS)
        self.judge, self.leave, self.silent = nn.Linear((3 + len(NEIGHBOURS)) * UNITS, UNITS), nn.Linear(UNITS, 1), nn.Linear(2 * UNITS, 1)

    def forward(self, x, lowest):
        B, T = x.shape[:2]; place = (lowest[:, None] + torch.arange(KEYS) / 12)[:, None, :, None].expand(B, T, -1, 1)
        h = torch.relu(self.middle(torch.relu(self.enter(torch.cat([x, place, place * place], 3)))))
        u = torch.relu(self.taps(h.permute(0, 2, 3, 1).reshape(B * KEYS, UNITS, T))).reshape(B, KEYS, UNITS, T).permute(0, 3, 1, 2)
        most = u.amax(2, keepdim=True)
        o = self.leave(torch.relu(self.judge(torch.cat([h, u] + [neighbour(u, k) for k in NEIGHBOURS] + [most.expand(-1, -1, KEYS, -1)], 3))))
        return torch.cat([o[..., 0], self.silent(torch.cat([u.mean(2), most[:, :, 0]], 2))], 2)


def heard(x): return torch.from_numpy(x.astype(np.float32) / 100)


def test(net, data):
    right, sets, silent = [], [], []
    with torch.no_grad():
        for name, x, y, lowest in data:
            s = net(heard(x)[None], torch.tensor([lowest], dtype=torch.float32))[0].numpy(); on, off = (y >= 0) & (y < KEYS), y == KEYS
            if on.sum() >= 50: right.append((s[on].argmax(1) == y[on]).mean()); sets.append(name.split("/")[0])
            if off.sum() > 10: silent.append((s[off].argmax(1) == KEYS).mean())
    right, sets = np.array(right), np.array(sets)
    for k in dict.fromkeys(sets): print(f"{k}: {(sets == k).sum()} takes, {right[sets == k].mean():.3f} of the time on the right key, worst {right[sets == k].min():.2f}")
    print(f"all: {len(right)} takes, {right.mean():.4f}; under 0.7: {(right < .7).sum()}; silence heard {np.mean(silent):.3f}", flush=True)


def fit(out, seed, steps, data):
    rng = np.random.default_rng(seed); torch.manual_seed(seed); net = Net(); started = time.time()
    opt = torch.optim.AdamW(net.parameters(), RATE, weight_decay=DECAY); rate = torch.optim.lr_scheduler.OneCycleLR(opt, RATE, total_steps=steps + 1)
    for step in range(steps):
        xs, ys, ls = [], [], []
        for i in rng.integers(0, len(data), TAKES):
            _, x, y, lowest = data[i]; at = rng.integers(0, max(1, len(x) - FRAMES)); x, y = x[at:at + FRAMES], y[at:at + FRAMES]; short = FRAMES - len(x)
            xs.append(np.pad(x, ((0, short), (0, 0), (0, 0)))); ys.append(np.pad(y, (0, short), constant_values=-1)); ls.append(lowest)
        s = net(heard(np.stack(xs)), torch.tensor(ls, dtype=torch.float32))
        loss = nn.functional.cross_entropy(s.reshape(-1, KEYS + 1), torch.from_numpy(np.stack(ys)).reshape(-1), ignore_index=-1)
        opt.zero_grad(); loss.backward(); opt.step(); rate.step()
        if step % 1000 == 999: print(step + 1, f"{loss.item():.3f} {time.time() - started:.0f} s", flush=True)
    torch.save(net.state_dict(), out)


def write(fitted, out, fixture, data):
    w = {k: v.numpy() for k, v in torch.load(fitted).items()}; parts = []
    one = lambda name: (np.pad(w[name + ".weight"], ((0, LANES - 1), (0, 0))), np.pad(w[name + ".bias"], (0, LANES - 1)))
    for name in ("enter", "middle"): parts += [w[name + ".weight"], w[name + ".bias"]]
    parts += [w["taps.weight"][:, 0].T, w["taps.bias"], w["judge.weight"], w["judge.bias"], *one("leave"), *one("silent")]
    np.concatenate([p.ravel() for p in parts]).astype("<f2").tofile(out)
    # The vector: the answers of the weights as written, to the first frames of a take and all around them.
    net = Net(); net.load_state_dict({k: torch.from_numpy(v.astype("<f2").astype(np.float32)) for k, v in w.items()}); net.double()
    _, x, _, lowest = data[0]; x = x[100:100 + TAPS + 2]; h = heard(x).double()
    with torch.no_grad(): s = torch.log_softmax(net(h[None], torch.tensor([lowest], dtype=torch.float64))[0], 1)
    middle = slice(TAPS // 2, len(x) - TAPS // 2)
    json.dump(dict(lowest_midi=36 + 12 * lowest, hundredths=x.tolist(), answers=s[middle].numpy().round(5).tolist()), open(fixture, "w"))


def main():
    what, *rest = sys.argv[1:]
    load = lambda sources: [t for s in sources for t in takes(s)]
    if what == "fit": fit(rest[0], int(rest[1]), int(rest[2]), load(rest[3:]))
    if what in ("test", "write"):
        net = Net(); net.load_state_dict(torch.load(rest[0]))
        if what == "test": test(net, load(rest[1:]))
        else: write(rest[0], rest[1], rest[2], load(rest[3:]))


if __name__ == "__main__":
    main()
