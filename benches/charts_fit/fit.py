#!/usr/bin/env python3
"""Fits the numbers of the chart recognition on truth-labelled tapes and writes src/season/charts/weights.rs.

usage: fit.py REPORTS TAPES OUT.rs
REPORTS is the out folder of `ledgerline review TAPES`; TAPES holds `NAME.truth.json` beside each tape (see render_charts.py).
First the mixtures: of every Fourier component of the classes of chords and bass, the mixture whose values agree best between
aligned beats of two takes of one chart (canonical correlation), weighted by how well they agree. Then the odds: a logistic
regression over the pairs of takes whose tempi are near, every pair counted once.
"""
import glob, itertools, json, os, sys
import numpy as np

CONTEXT, FLOOR, JUMP, STRETCH, FAR, MOST = 8, 1.5, 2.8, 32, 0.30, 512


def takes_of(reports, tapes):
    """Every take with harmony and the truth that overlaps it."""
    found, lost = [], []
    for path in sorted(glob.glob(f"{reports}/*/report.json")):
        report = json.load(open(path)); stem = report["tape"]["file_name"].rsplit(".", 1)[0]
        truths = [f"{t}/{stem}.truth.json" for t in tapes if os.path.exists(f"{t}/{stem}.truth.json")]
        if not truths: continue
        true = json.load(open(truths[0]))["takes"]
        for number, take in enumerate(report["takes"]):
            shared = lambda q: min(q["end"], take["end_s"]) - max(q["start"], take["start_s"])
            best = max(true, key=shared)
            row = dict(folder=os.path.basename(os.path.dirname(path)), take=number + 1, title=best["title"], how=best.get("how", ""), true_bpm=best["bpm"])
            if shared(best) < 5: continue
            words = (take.get("harmony") or {}).get("chords", [])
            if len(words) < 32: lost.append(row); continue
            digits = lambda words: np.array([[int(c) for c in w] for w in words[:MOST]], float)
            row.update(bpm=take["tempo"]["bpm"]["value"], chords=digits(words), bass=digits(take["harmony"]["bass"]))
            found.append(row)
    return found, lost


def averaged(x):
    n = len(x); out = np.empty_like(x)
    for i in range(n): out[i] = x[max(0, i - CONTEXT // 2):min(n, i + CONTEXT // 2)].mean(0)
    return out - out.mean(0)


def components(take):
    dft = lambda x: np.fft.fft(averaged(x), axis=1)[:, :7]
    return np.stack([dft(take["chords"]), dft(take["bass"])], 2)


def plain_rows(take):
    x = np.concatenate([averaged(take["chords"]), averaged(take["bass"])], 1)
    n = np.linalg.norm(x, axis=1, keepdims=True)
    return x / np.hypot(n, FLOOR * np.median(n))


def mixed_rows(take, mixtures):
    z = np.einsum("kj,nkj->nk", mixtures, components(take))
    x = np.concatenate([z.real, z.imag[:, 1:6]], 1)
    n = np.linalg.norm(x, axis=1, keepdims=True)
    return x / np.hypot(n, FLOOR * np.median(n))


def way(s):
    n, m = s.shape; d = s[0].copy(); step = np.zeros((n, m), bool); origin = np.zeros(n, int)
    for i in range(1, n):
        origin[i] = b = int(np.argmax(d)); jumped = d[b] - JUMP
        stepped = np.concatenate([[-np.inf], d[:-1]]); step[i] = stepped >= jumped
        d = s[i] + np.maximum(stepped, jumped)
    at = [int(np.argmax(d))]
    for i in range(n - 1, 0, -1): at.append(at[-1] - 1 if step[i, at[-1]] else origin[i])
    return np.array(at[::-1])


def mixtures_of(pairs):
    total, shared = np.zeros((7, 2, 2), complex), np.zeros((7, 2, 2), complex)
    for a, b in pairs:
        if len(b["chords"]) < len(a["chords"]): a, b = b, a
        at = way(plain_rows(a) @ plain_rows(b).T)
        x, y = components(a), components(b)[at]
        for u in (x, y): total += np.einsum("nki,nkj->kij", u, u.conj()) / 2
        c = np.einsum("nki,nkj->kij", x, y.conj()); shared += (c + np.conj(np.swapaxes(c, 1, 2))) / 2
    out = np.zeros((7, 2), complex)
    for k in range(7):
        l, u = np.linalg.eigh(total[k]); root = u @ np.diag(l ** -.5) @ u.conj().T
        r, v = np.linalg.eigh(root @ shared[k] @ root)
        rho = min(max(r[1], 1e-3), .95); w = v[:, 1].conj() @ root
        w *= np.exp(-1j * np.angle(w[0])) * np.sqrt(rho / (1 - rho ** 2)) * (1 if k in (0, 6) else 2 ** .5)
        out[k] = w; print(f"component {k}: agrees {rho:.2f}")
    return out / np.abs(out).max()


def measure(a, b, rows):
    if len(rows[id(b)]) < len(rows[id(a)]): a, b = b, a
    x, y = rows[id(a)], rows[id(b)]; at = way(x @ y.T); y = y[at]
    xy, xx, yy = (x * y).sum(1), (x * x).sum(1), (y * y).sum(1)
    k = np.ones(min(STRETCH, len(x))); run = lambda v: np.convolve(v, k, "valid")
    jumps = int((np.diff(at) != 1).sum()) * STRETCH / len(x)
    return xy.sum() / np.sqrt(xx.sum() * yy.sum()), (run(xy) / np.sqrt(run(xx) * run(yy))).min(), jumps


def profile(a, b):
    p = lambda t: np.concatenate([t["chords"].mean(0) - t["chords"].mean(), t["bass"].mean(0) - t["bass"].mean()])
    x, y = p(a), p(b)
    return x @ y / np.sqrt((x @ x) * (y @ y))


def table(takes, mixtures):
    rows = {id(t): mixed_rows(t, mixtures) for t in takes}; out = []
    for a, b in itertools.combinations(takes, 2):
        octaves = abs(np.log2(a["bpm"] / b["bpm"]))
        if octaves > FAR: continue
        whole, worst, jumps = measure(a, b, rows)
        out.append(dict(a=a, b=b, same=a["title"] == b["title"], whole=whole, worst=worst, jumps=jumps, profile=profile(a, b), octaves=octaves))
    return out


def logistic(x, y, ridge):
    """Maximum a posteriori by Newton's method; the first column is the constant."""
    w = np.zeros(x.shape[1])
    for _ in range(100):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
        h = (x * (p * (1 - p))[:, None]).T @ x + np.diag(ridge); w -= np.linalg.solve(h, x.T @ (p - y) + ridge * w)
    return w


def design(rows):
    return np.array([[1, r["whole"] + r["worst"] - 1.15, r["profile"] - .6, r["octaves"] ** 2 / .09, r["jumps"]] for r in rows])


def main():
    reports, tapes, out = sys.argv[1], sys.argv[2].split(","), sys.argv[3]
    takes, lost = takes_of(reports, tapes)
    print(len(takes), "takes,", len(lost), "without harmony")
    mixtures = mixtures_of([(a, b) for a, b in itertools.combinations(takes, 2) if a["title"] == b["title"]])
    rows = table(takes, mixtures); same = np.array([r["same"] for r in rows], float)
    w = logistic(design(rows), same, np.array([.01, .01, .5, .5, .5]))
    print("pairs", len(rows), "same", int(same.sum()), "weights", w.round(2))
    odds = design(rows) @ w
    print("same, lowest odds", np.sort(odds[same > 0])[:6].round(1), "different, highest", np.sort(odds[same == 0])[::-1][:6].round(1))
    constant = w[0] - 1.15 * w[1] - .6 * w[2]
    pair = lambda z: f"({z.real:.5f}, {z.imag:.5f})".replace("-0.00000", "0.0").replace("0.00000", "0.0").replace("1.00000", "1.0")
    text = "//! Fitted numbers of the chart recognition; made by `benches/charts_fit/fit.py`, not by hand.\n\n"
    text += "/// Of each Fourier component, how chords and bass are mixed: complex factors.\npub const MIXTURES: [[(f64, f64); 2]; 7] = [\n"
    text += "".join(f"    [{pair(m[0])}, {pair(m[1])}],\n" for m in mixtures) + "];\n\n"
    text += "/// Logistic regression of the odds that two takes are one chart.\npub struct Odds {\n    /// Added to all.\n    pub constant: f64,\n"
    text += "    /// Of the correlation along the way and that of its worst stretch together.\n    pub correlation: f64,\n"
    text += "    /// Of the correlation of the profiles.\n    pub profile: f64,\n    /// Of the square of the distance in tempo, octaves.\n    pub tempo: f64,\n    /// Of the jumps in eight bars.\n    pub jumps: f64,\n}\n\n"
    text += f"/// The fitted odds.\npub const ODDS: Odds = Odds {{ constant: {constant:.3f}, correlation: {w[1]:.3f}, profile: {w[2]:.3f}, tempo: {w[3] / .09:.3f}, jumps: {w[4]:.3f} }};\n"
    open(out, "w").write(text)


if __name__ == "__main__":
    main()
