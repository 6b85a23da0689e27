"""Moments of hits as the fits of the branch for hits count them: one byte a slot, and counts a step."""
import numpy as np

SLOT = 512                       # samples of the grid, 48 kHz
SAME_S, TOGETHER_S = .03, .05    # one player's hits that are one; two players' hits that are together


def on_grid(hits, slots):
    """Moments of one player, s -> one byte a slot; hits within SAME_S of the one before are the same hit."""
    row = np.zeros(slots, np.uint8); last = -1.0
    for t in sorted(hits):
        if t < 0 or t >= slots * SLOT / 48000: continue
        if t - last > SAME_S: row[min(slots - 1, int(t * 48000 / SLOT))] = 1
        last = t
    return row


def counts(torch, h, steps):
    """[B, 2, slots] hits of guitar and keys -> [B, 4, steps] counts of guitar, keys, either, both."""
    g, k = h[:, 0].float(), h[:, 1].float(); w = int(TOGETHER_S * 48000 / SLOT)
    near = lambda x: torch.nn.functional.max_pool1d(x[:, None], 2 * w + 1, 1, w)[:, 0]
    both = g * near(k); either = g + k * (1 - near(g)); every = torch.stack([g, k, either, both], 1)
    # Step k is centred on sample 2048 k + 512.
    at = ((torch.arange(h.shape[2], device=h.device) * SLOT + SLOT / 2 - 512) / 2048).round().long().clamp(0, steps - 1)
    return torch.zeros(h.shape[0], 4, steps, device=h.device).index_add_(2, at, every)
