"""What the layer network hears: constants and the numpy reference. The Rust room computes exactly this.

Conventions: 48 kHz mono. A step is two short frames (4096-point Hann, hop 1024): step k holds frames 2k and 2k+1,
so steps are 2048 samples apart. Fine bands come from the long frame (16384, hop 4096) nearest to the step.
"""
import numpy as np

RATE, SHORT, HOP, LONG, LHOP = 48000, 4096, 1024, 16384, 4096
STEP_S = 2 * HOP / RATE
BANDS, FINE = 64, 144
LOW_HZ, TOP_HZ = 30.0, 15000.0
LAYERS = ["bass", "drums", "guitar", "keys", "horns", "rest"]
LEVEL_TAU_S, LEVEL_AHEAD = 3.0, 32
FLOOR = 1e-6


def erb(f): return 21.4 * np.log10(1 + 0.00437 * f)
def inv_erb(e): return (10 ** (e / 21.4) - 1) / 0.00437


def band_of_bin():
    """Band of every bin of the short spectrum, -1 outside."""
    f = np.arange(SHORT // 2 + 1) * RATE / SHORT
    e = (erb(f) - erb(LOW_HZ)) / (erb(TOP_HZ) - erb(LOW_HZ)) * BANDS
    b = np.floor(e).astype(int); b[(b < 0) | (b >= BANDS)] = -1
    return b


def fine_edges():
    """Bins [lo, hi) of the long spectrum for each fine band: single bins at first, then 24 an octave."""
    lo = int(round(50.0 / (RATE / LONG))); edges = [lo]
    while len(edges) < FINE + 1:
        edges.append(max(edges[-1] + 1, int(round(edges[-1] * 2 ** (1 / 24)))))
    return edges


def k_weight_power(f):
    """|H|^2 of the BS.1770 pre-filter and RLB filter at 48 kHz (coefficients of the Recommendation)."""
    z = np.exp(-2j * np.pi * np.asarray(f) / 48000)
    a = (1.53512485958697 - 2.69169618940638 * z + 1.19839281085285 * z ** 2) / (1 - 1.69065929318241 * z + 0.73248077421585 * z ** 2)
    b = (1 - 2 * z + z ** 2) / (1 - 1.99004745483398 * z + 0.99007225036621 * z ** 2)
    return np.abs(a * b) ** 2


def band_k_weights():
    """Mean K weight of each band."""
    f = np.arange(SHORT // 2 + 1) * RATE / SHORT; k = k_weight_power(f); b = band_of_bin()
    return np.array([k[b == i].mean() for i in range(BANDS)])


def power_frames(x, length, hop, count):
    """Power spectra as the program makes them: frame i centred on sample i*hop."""
    w = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    p = np.pad(x, (length // 2, length + count * hop))
    out = np.empty((count, length // 2 + 1), np.float32)
    for i in range(count):
        s = np.fft.rfft(p[i * hop:i * hop + length] * w)
        q = np.abs(s) ** 2 * (2 / (length * np.sum(w ** 2))); q[0] *= .5; q[-1] *= .5; out[i] = q
    return out


def pool(frames):
    b = band_of_bin(); m = np.zeros((frames.shape[1], BANDS), np.float32)
    for i, j in enumerate(b):
        if j >= 0: m[i, j] = 1
    return frames @ m


def running_level(total):
    """Smoothed K-weighted power: exponential, corrected for its start, looking LEVEL_AHEAD steps ahead."""
    n = len(total); a0 = 1 - np.exp(-STEP_S / LEVEL_TAU_S); y = 0.0; out = np.empty(n); sm = np.empty(n)
    for i in range(n):
        a = max(a0, 1 / (i + 1)); y += a * (total[i] - y); sm[i] = y
    for i in range(n): out[i] = sm[min(n - 1, i + LEVEL_AHEAD)]
    return out


def features(x):
    """-> inputs [steps, 64 + 64 + 144], band power of the mix [steps, 64], whole K-weighted power [steps]."""
    steps = int(np.ceil(len(x) / HOP)) // 2
    sh = pool(power_frames(x, SHORT, HOP, 2 * steps)); lg = power_frames(x, LONG, LHOP, steps // 2 + 2)
    a, b = sh[0::2], sh[1::2]; p = (a + b) / 2
    e = fine_edges(); fine = np.stack([lg[:, e[i]:e[i + 1]].sum(1) for i in range(FINE)], 1)
    j = np.round(np.arange(steps) / 2 + 0.125).astype(int)
    lev = running_level(p @ band_k_weights())[:, None] + 1e-20
    la = np.log10(p / lev + FLOOR)
    d = np.log10(b / lev + FLOOR) - np.log10(a / lev + FLOOR)
    lf = np.log10(fine[j] / lev + FLOOR)
    return np.concatenate([la, d, lf], 1).astype(np.float32), p
