"""The layer network (PyTorch) and its export: a mask network over 64 bands with a few seconds of context."""
import numpy as np, torch, torch.nn as nn
from infer import DILATIONS, OFFSETS, WIDTH as HIDDEN

INPUTS, BANDS, CLASSES = 272, 64, 6
TAPS = 5
DROP = 0.08


class Block(nn.Module):
    def __init__(self, d, off, width=HIDDEN):
        super().__init__()
        self.pad = (-off[0] * d, off[1] * d)
        self.d = d; self.depth = nn.Parameter(torch.randn(width, TAPS) / TAPS ** .5)
        self.point = nn.Conv1d(width, width, 1, bias=False)
        self.norm = nn.BatchNorm1d(width)

    def forward(self, x):
        p = nn.functional.pad(x, self.pad); n = x.shape[2]
        y = sum(self.depth[:, k, None] * p[:, :, k * self.d:k * self.d + n] for k in range(TAPS))
        return x + nn.functional.dropout(torch.relu(self.norm(self.point(y))), DROP, self.training)


class LayerNet(nn.Module):
    """inputs [batch, 272, steps] (raw features) -> logits [batch, 6, 64, steps]"""
    def __init__(self, mean=None, std=None):
        super().__init__()
        self.register_buffer("mean", torch.zeros(INPUTS) if mean is None else mean); self.register_buffer("std", torch.ones(INPUTS) if std is None else std)
        self.enter = nn.Conv1d(INPUTS, HIDDEN, 1, bias=False); self.enter_norm = nn.BatchNorm1d(HIDDEN)
        self.blocks = nn.ModuleList(Block(d, o) for d, o in zip(DILATIONS, OFFSETS))
        self.leave = nn.Conv1d(HIDDEN, CLASSES * BANDS, 1)

    def forward(self, x):
        x = (x - self.mean[:, None]) / self.std[:, None]
        h = torch.relu(self.enter_norm(self.enter(x)))
        for b in self.blocks: h = b(h)
        return self.leave(h).view(x.shape[0], CLASSES, BANDS, x.shape[2])


def fold(w, norm):
    """Weights and biases of a dense layer with the normalisation behind it."""
    s = norm.weight / torch.sqrt(norm.running_var + norm.eps)
    return w * s[:, None], norm.bias - norm.running_mean * s


def follow(mean, net, step):
    """Moves the running mean of a net's numbers towards the net."""
    d = min(.999, (1 + step) / (10 + step))
    with torch.no_grad():
        for p, q in zip(mean.state_dict().values(), net.state_dict().values()):
            if p.dtype.is_floating_point: p.mul_(d).add_(q, alpha=1 - d)
            else: p.copy_(q)


def folded(net):
    """Weights with the normalisations folded in: enter [H, I], enter_bias, per block depth [H, 5], point [H, H], bias, leave [384, H], leave_bias."""
    out = {}
    with torch.no_grad():
        w, b = fold(net.enter.weight[:, :, 0], net.enter_norm)
        b = b - (w * (net.mean / net.std)[None]).sum(1); w = w / net.std[None]
        out["enter"], out["enter_bias"] = w, b
        for i, blk in enumerate(net.blocks):
            w, b = fold(blk.point.weight[:, :, 0], blk.norm)
            out[f"depth{i}"], out[f"point{i}"], out[f"bias{i}"] = blk.depth, w, b
        out["leave"], out["leave_bias"] = net.leave.weight[:, :, 0], net.leave.bias
    return {k: v.detach().float().cpu().numpy() for k, v in out.items()}


def unfolded(net, path, x):
    """Sets a fresh net to the folded weights of a weights.f16 file; x [batch, 272, steps] gives the normalisations their scale."""
    flat = torch.from_numpy(np.fromfile(path, "<f2").astype(np.float32)).to(x.device); at = 0
    def take(*shape):
        nonlocal at
        n = int(np.prod(shape)); v = flat[at:at + n].view(*shape); at += n; return v
    def scale(norm, y, bias):
        mu = y.mean((0, 2)); var = y.var((0, 2), unbiased=False)
        norm.weight.copy_(torch.sqrt(var + norm.eps)); norm.bias.copy_(mu + bias); norm.running_mean.copy_(mu); norm.running_var.copy_(var)
    with torch.no_grad():
        net.eval(); w, b = take(HIDDEN, INPUTS), take(HIDDEN); xn = (x - net.mean[:, None]) / net.std[:, None]
        net.enter.weight.copy_((w * net.std)[..., None]); y = net.enter(xn); scale(net.enter_norm, y, w @ net.mean + b); h = torch.relu(net.enter_norm(y))
        for blk in net.blocks:
            blk.depth.copy_(take(TAPS, HIDDEN).T); blk.point.weight.copy_(take(HIDDEN, HIDDEN)[..., None]); b = take(HIDDEN)
            p = nn.functional.pad(h, blk.pad); n = h.shape[2]; y = blk.point(sum(blk.depth[:, k, None] * p[:, :, k * blk.d:k * blk.d + n] for k in range(TAPS))); scale(blk.norm, y, b); h = blk(h)
        net.leave.weight.copy_(take(CLASSES * BANDS, HIDDEN)[..., None]); net.leave.bias.copy_(take(CLASSES * BANDS)); assert at == len(flat)


class HitBranch(nn.Module):
    """first and last hidden rows [batch, 2 * HIDDEN, steps] -> log rates of hits [batch, 4, steps]"""
    def __init__(self, width, distances):
        super().__init__(); self.width, self.distances = width, distances
        self.enter = nn.Conv1d(2 * HIDDEN, width, 1, bias=False); self.enter_norm = nn.BatchNorm1d(width)
        self.blocks = nn.ModuleList(Block(d, (-2, 2), width) for d in distances); self.leave = nn.Conv1d(width, 4, 1); nn.init.constant_(self.leave.bias, -3.0)

    def forward(self, x):
        h = torch.relu(self.enter_norm(self.enter(x)))
        for b in self.blocks: h = b(h)
        return self.leave(h)


def folded_hits(net):
    """Weights of a HitBranch with the normalisations folded in, in the order of the file."""
    out = {}
    with torch.no_grad():
        out["enter"], out["enter_bias"] = fold(net.enter.weight[:, :, 0], net.enter_norm)
        for i, b in enumerate(net.blocks):
            w, bias = fold(b.point.weight[:, :, 0], b.norm); out[f"depth{i}"], out[f"point{i}"], out[f"bias{i}"] = b.depth, w, bias
        out["leave"], out["leave_bias"] = net.leave.weight[:, :, 0], net.leave.bias
    return {k: v.detach().float().cpu().numpy() for k, v in out.items()}
