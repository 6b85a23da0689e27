"""Features of packed frames in context; repeats src/passages/context.rs and modulation.rs."""
import numpy as np, json, os
BA = dict(fps=48000/4096)
def box(x, w):
    """mean over +-w frames, shorter at the ends"""
    n = len(x); c = np.concatenate([np.zeros((1,) + x.shape[1:]), np.cumsum(x, 0)]); i = np.arange(n); a = np.maximum(0, i - w); b = np.minimum(n, i + w + 1)
    return (c[b] - c[a]) / (b - a).reshape(-1, *([1] * (x.ndim - 1)))
def side(x, p, q):
    n = len(x); c = np.concatenate([np.zeros((1,) + x.shape[1:]), np.cumsum(x, 0)]); i = np.arange(n); a = np.maximum(0, i - p); b = np.minimum(n, i + q + 1)
    return (c[b] - c[a]) / (b - a).reshape(-1, 1)
MOD = [1.0, 2.0, 3.0, 4.5, 6.5, 9.0, 14.0]
def modulation(env_db):
    """env_db [n,4] half-dB levels; magnitude of modulation at MOD Hz over 64 subframes, re mean"""
    a = 10 ** (env_db.reshape(-1) / 20); n = len(env_db); W = 64; fs = 48000 / 1024
    w = np.hanning(W + 1)[:W]; pad = np.pad(a, (W // 2, W)); out = np.zeros((n, len(MOD)))
    k = np.arange(W); B = np.exp(-2j * np.pi * np.outer(k, np.array(MOD) / fs)) * w[:, None]
    idx = (np.arange(n) * 4)[:, None] + k[None, :]; S = pad[idx]; m = S @ w / w.sum()
    C = (S - m[:, None]) @ B
    return np.abs(C) / (w.sum() / 2) / np.maximum(m, 1e-9)[:, None]
OPEN = np.array([28, 33, 38, 43, 40, 45, 50, 55, 59, 64.])
def base(r):
    band = r[:, :10] * .5 - 120.; wide = r[:, 10:14] * .5 - 120.; high = r[:, 14:18] * .5 - 120.; flux = r[:, 18:21] / 10.; flat = -(r[:, 21].astype(float)) / 2.; narrow = r[:, 22:25] / 255.; peaks = r[:, 25].astype(float); kept = r[:, 26] / 255.; harm = r[:, 27] / 255.; pitch = (r[:, 28].astype(float) + 256. * r[:, 29]) / 256.
    tot = 10 * np.log10((10 ** (band / 10)).sum(1))
    sil = tot < -95
    live = ~sil if (~sil).any() else np.ones(len(tot), bool)
    lo, hi = np.quantile(band[live], .03, axis=0), np.quantile(band[live], .95, axis=0)
    floor = np.maximum(np.minimum(lo, hi - 30), -100)
    tl, th = np.quantile(tot[live], .03), np.quantile(tot[live], .95)
    snr = np.clip(band - floor, 0, 40) / 20 - 1
    shape = np.clip(band - tot[:, None], -60, 0) / 20 + 1
    lev = np.clip(tot - th, -40, 5) / 20 + .5
    up = np.clip(tot - np.maximum(np.minimum(tl, th - 30), -95), 0, 40) / 20 - 1
    wm = wide.max(1); wmean = wide.mean(1); wl, wh = np.quantile(wmean[live], .03), np.quantile(wmean[live], .95); wf = np.maximum(np.minimum(wl, wh - 30), -100); near_floor = np.clip(wmean - wf, 0, 12) / 6 - 1
    n = len(tot); lm = np.array([wm[max(0, i - 6):i + 7].max() for i in range(n)])
    dip = np.clip(lm - wide.mean(1), 0, 30) / 15
    near = np.min(np.abs(pitch[:, None] - OPEN[None]), axis=1)
    opn = ((near < .4) & (harm > .6)).astype(float)
    prev = np.concatenate([pitch[:4], pitch[:-4]]) if n > 4 else pitch
    stab = ((np.abs(pitch - prev) < .25) & (harm > .4)).astype(float)
    rng = (wide.max(1) - wide.min(1)) / 20
    B = np.column_stack([snr, shape, lev, up, near_floor, flux / 5, flat / 20 + .5, narrow, np.log2(1 + peaks) / 5, kept, harm, opn, stab, np.clip(pitch / 24 - 2, -1, 2), rng, dip, modulation(wide), modulation(high)])
    return B, sil
def expand(r):
    B, sil = base(r)
    m12 = box(B, 12)
    s12 = np.sqrt(np.maximum(0, box(B * B, 12) - m12 * m12))
    return np.column_stack([box(B, 2), side(B, 12, 0), side(B, 0, 12), s12, box(B, 35)]), sil
KINDS = ['take', 'talk', 'tuning', 'quiet', 'other']; K = dict(take=0, talk=1, tuning=2, silence=3, quiet=3, other=4)
def labels(T, n):
    y = np.full(n, -1); t = np.arange(n) / BA['fps']
    for s in T['segments']:
        m = (t > s['start'] + .12) & (t < s['end'] - .12); y[m] = K[s['kind']]
    if T['segments'][0]['start'] > .4: y[t < .3] = 3
    return y
