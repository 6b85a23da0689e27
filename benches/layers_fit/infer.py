"""numpy inference of the folded network, for checks without PyTorch."""
import numpy as np
DILATIONS = [1, 1, 2, 2, 4, 4, 8, 16]
OFFSETS = [(-2, 2)] * 6 + [(-3, 1), (-3, 1)]


def logits(w, x):
    """x [steps, inputs] -> [steps, 6, 64]"""
    h = np.maximum(0, x @ w["enter"].T + w["enter_bias"])
    n = len(x)
    for i, (d, o) in enumerate(zip(DILATIONS, OFFSETS)):
        p = np.pad(h, ((-o[0] * d, o[1] * d), (0, 0))); y = sum(p[k * d:k * d + n] * w[f"depth{i}"][:, k] for k in range(5))
        h = h + np.maximum(0, y @ w[f"point{i}"].T + w[f"bias{i}"])
    return (h @ w["leave"].T + w["leave_bias"]).reshape(n, 6, 64)


def shares(w, x):
    z = logits(w, x); z = z - z.max(1, keepdims=True); e = np.exp(z); return e / e.sum(1, keepdims=True)
