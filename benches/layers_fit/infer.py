"""Shape of the networks, and numpy inference of the folded ones, for checks without PyTorch."""
import numpy as np
WIDTH = 256   # hidden units
DILATIONS = [1, 1, 2, 2, 4, 4, 8, 16]
# Taps reach -2..+2 steps of the dilation; the two widest look back further than ahead, which bounds the delay.
OFFSETS = [(-2, 2)] * 6 + [(-3, 1), (-3, 1)]
HIT_DILATIONS = [1, 1, 2]


def blocks(w, h, dilations, offsets):
    n = len(h)
    for i, (d, o) in enumerate(zip(dilations, offsets)):
        p = np.pad(h, ((-o[0] * d, o[1] * d), (0, 0))); y = sum(p[k * d:k * d + n] * w[f"depth{i}"][:, k] for k in range(5))
        h = h + np.maximum(0, y @ w[f"point{i}"].T + w[f"bias{i}"])
    return h


def hidden(w, x):
    """x [steps, inputs] -> first and last hidden rows"""
    first = np.maximum(0, x @ w["enter"].T + w["enter_bias"])
    return first, blocks(w, first, DILATIONS, OFFSETS)


def logits(w, x):
    """x [steps, inputs] -> [steps, 6, 64]"""
    return (hidden(w, x)[1] @ w["leave"].T + w["leave_bias"]).reshape(len(x), 6, 64)


def shares(w, x):
    z = logits(w, x); z = z - z.max(1, keepdims=True); e = np.exp(z); return e / e.sum(1, keepdims=True)


def hit_rates(w, branch, x):
    """Hits of guitar and keys a step, one that both play counted once [steps]"""
    h = np.maximum(0, np.concatenate(hidden(w, x), 1) @ branch["enter"].T + branch["enter_bias"])
    h = blocks(branch, h, HIT_DILATIONS, [(-2, 2)] * len(HIT_DILATIONS))
    return np.exp(h @ branch["leave"].T + branch["leave_bias"])[:, 0]
