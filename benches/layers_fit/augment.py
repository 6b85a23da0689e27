"""Rooms, players' tone, levels and recorders on the accelerator; features and truth; the loss.

Truth: band power of each wet stem after the recorder's linear filters and gain, as shares of their sum.
"""
import glob, math
import numpy as np, torch
import features as F

KEEP = torch.float16
SOFT = (.2, .08, .08, .08, .25)   # how often a layer is far softer than usual: a bass under loud drums, horns behind a crowded piano


class Maker:
    def __init__(self, dev, n, nfft, lib):
        self.dev, self.n, self.nfft = dev, n, nfft; self.steps = n // 2048
        self.f = torch.fft.rfftfreq(nfft, 1 / 48000).to(dev); kp = F.k_weight_power(np.fft.rfftfreq(nfft, 1 / 48000))
        self.kmag = torch.tensor(np.sqrt(kp), device=dev, dtype=torch.float32)
        b = F.band_of_bin(); m = np.zeros((F.BANDS, 2049), np.float32)
        for i, j in enumerate(b):
            if j >= 0: m[j, i] = 1
        self.pool = torch.tensor(m, device=dev); e = F.fine_edges(); m = np.zeros((F.FINE, 8193), np.float32)
        for i in range(F.FINE): m[i, e[i]:e[i + 1]] = 1
        self.fine = torch.tensor(m, device=dev); self.kb = torch.tensor(F.band_k_weights(), device=dev, dtype=torch.float32)
        self.wins = {s: torch.hann_window(s, device=dev) for s in (4096, 16384)}
        self.rooms = [torch.tensor(np.load(p), device=dev) for p in sorted(glob.glob(lib + "/room_*.npy"))]

    def u(self, g, lo, hi, *shape): return lo + (hi - lo) * torch.rand(shape, device=self.dev, generator=g)
    def nrm(self, g, *shape): return torch.randn(shape, device=self.dev, generator=g)

    def power(self, x, length, hop):
        w = self.wins[length]; s = torch.stft(x, length, hop, window=w, center=True, pad_mode="constant", return_complex=True)
        return (s.real ** 2 + s.imag ** 2) * (2 / (length * (w ** 2).sum()))

    def bands(self, x):
        """[.., n] -> [.., 64, 2 * steps] power of the short frames"""
        sh = x.shape[:-1]; p = self.power(x.reshape(-1, self.n), 4096, 1024)[:, :, : 2 * self.steps]
        return (self.pool @ p).view(*sh, F.BANDS, 2 * self.steps)

    def curve(self, g, shape, db, knots=10):
        """Smooth random gain over log frequency, [.., bins]; spread of db."""
        k = self.nrm(g, *shape, knots) * db; pos = (torch.log2(self.f.clamp(min=25) / 25) / math.log2(960)).clamp(0, .9999) * (knots - 1); i = pos.long(); t = pos - i; t = t * t * (3 - 2 * t)
        return 10 ** ((k[..., i] * (1 - t) + k[..., i + 1] * t) / 20)

    def shelves(self, g, shape):
        """A low and a high shelf, each in half of the cases."""
        out = 1.0
        for sign, lo, hi in ((-1, 60, 400), (1, 1000, 6000)):
            fc = lo * (hi / lo) ** self.u(g, 0, 1, *shape)[..., None]; db = self.nrm(g, *shape)[..., None] * 6 * (self.u(g, 0, 1, *shape)[..., None] < .5)
            out = out * 10 ** (db / 20 / (1 + (self.f / fc) ** 2 if sign < 0 else 1 + (fc / self.f.clamp(min=1)) ** 2))
        return out

    def rirs(self, g, B):
        n = 48000 * 3 // 2; t = torch.arange(n, device=self.dev) / 48000
        rt = .15 * (1.9 / .15) ** self.u(g, 0, 1, B, 1, 1); drr = self.u(g, -4, 12, B, 1, 1) + self.u(g, -3, 3, B, 5, 1)
        drr = torch.where(self.u(g, 0, 1, B, 1, 1) < .08, drr + 30, drr)
        x = self.nrm(g, B, 5, n) * 10 ** (-3 * t / rt); x[..., :192] = 0
        X = torch.fft.rfft(x, self.nfft); fc = 2500 * 6 ** self.u(g, 0, 1, B, 1, 1)
        X = X / torch.sqrt(1 + (self.f / fc) ** 2); e = torch.fft.irfft(X, self.nfft)[..., :n].pow(2).sum(-1, keepdim=True)
        X = X * 10 ** (-drr / 20) / torch.sqrt(e) + 1
        if self.rooms:
            for b in range(B):
                if torch.rand((), generator=g, device=self.dev) < .12:
                    r = self.rooms[int(torch.randint(len(self.rooms), (), generator=g, device=self.dev))]; X[b] = torch.fft.rfft(r, self.nfft)
        comb = self.u(g, 0, 1, B, 5, 1) * (self.u(g, 0, 1, B, 1, 1) < .35); d = self.u(g, 0, .0008, B, 5, 1)
        return X * (1 + comb * torch.exp(-2j * math.pi * self.f * d)) / (1 + comb)

    def codec(self, mix, g, use):
        """What a lossy file does: noise under the masking threshold, holes where nothing was worth a bit, a stop at the top."""
        B = mix.shape[0]
        if not hasattr(self, "coded"):
            f = np.fft.rfftfreq(2048, 1 / 48000); e = np.floor(F.erb(f) / 1.5).astype(int); m = np.zeros((e.max() + 1, 1025), np.float32); m[e, np.arange(1025)] = 1
            self.coded = torch.tensor(m, device=self.dev); self.many = self.coded.sum(1); self.cw = torch.hann_window(2048, device=self.dev); self.cf = torch.tensor(f, device=self.dev, dtype=torch.float32)
        S = torch.stft(mix, 2048, 512, window=self.cw, center=True, return_complex=True); p = S.real ** 2 + S.imag ** 2
        t = (self.coded @ p) / self.many[:, None] * 10 ** (-self.u(g, 7, 22, B, 1, 1) / 10); t = self.coded.T @ t
        n = torch.complex(torch.randn(p.shape, device=self.dev, generator=g), torch.randn(p.shape, device=self.dev, generator=g)) * torch.sqrt(t / 2)
        keep = (p > t * self.u(g, 0, 1, B, 1, 1)) & (self.cf[:, None] < self.u(g, 10500, 20000, B, 1, 1))
        return torch.where(use, torch.istft((S + n) * keep, 2048, 512, window=self.cw, center=True, length=self.n), mix)

    def make(self, dry, g):
        """dry [B, 5, n] -> dict of x [B, 272, steps], share [B, 6, 64, steps] (8 bit), total [B, 64, steps], level [B, steps]"""
        B = dry.shape[0]; dev = self.dev
        peak = dry.abs().amax(-1, keepdim=True); there = peak[..., 0] > 1e-4
        drive = 10 ** self.u(g, -1, 1, B, 5, 1) * (self.u(g, 0, 1, B, 5, 1) < .25); x = dry / (peak + 1e-6)  # an amplifier or a hard player: soft saturation
        dry = torch.where(drive > 0, torch.tanh(x * drive) / (drive + 1e-6), x)
        X = torch.fft.rfft(dry, self.nfft) * self.curve(g, (B, 5), 4.0) * self.shelves(g, (B, 5)); X = X * self.rirs(g, B)
        # levels: K-weighted power while the stem sounds
        k = torch.fft.irfft(X * self.kmag, self.nfft)[..., : self.n].view(B, 5, -1, 4000).pow(2).mean(-1); top = k.amax(-1, keepdim=True); on = k > .02 * top
        lev = (k * on).sum(-1) / on.sum(-1).clamp(min=1); gain = self.nrm(g, B, 5) * 5; gain = torch.where(self.u(g, 0, 1, B, 5) < torch.tensor(SOFT, device=dev), gain - self.u(g, 3, 12, B, 5), gain)
        one = torch.nn.functional.one_hot(torch.randint(0, 5, (B,), device=dev, generator=g), 5)  # one player far too loud, in three of ten
        gain = gain + one * self.u(g, 4, 14, B, 1) * (self.u(g, 0, 1, B, 1) < .3)
        amp = 10 ** (gain / 20) / torch.sqrt(lev + 1e-12) * there; X = X * amp[..., None]
        # recorder: response, low cut, high cut
        R = self.curve(g, (B,), 2.0)
        hp = 30 * (260 / 30) ** self.u(g, 0, 1, B, 1); r = (self.f / hp) ** 4; R = R * torch.where(self.u(g, 0, 1, B, 1) < .35, torch.sqrt(r / (1 + r)), torch.ones_like(r))
        lp = 4000 * 4 ** self.u(g, 0, 1, B, 1); r = (self.f / lp) ** 8; R = R * torch.where(self.u(g, 0, 1, B, 1) < .25, torch.sqrt(1 / (1 + r)), torch.ones_like(r))
        y = torch.fft.irfft(X * R[:, None], self.nfft)[..., : self.n]
        # noise of the room and the recorder
        mixp = y.sum(1).pow(2).mean(-1).clamp(min=1e-6); W = torch.fft.rfft(self.nrm(g, B, self.n), self.nfft); fc = 100 * 60 ** self.u(g, 0, 1, B, 1)
        W = W / torch.sqrt(1 + (self.f / fc) ** 2) * R; nz = torch.fft.irfft(W, self.nfft)[..., : self.n]
        tt = torch.arange(self.n, device=dev) / 48000; base = torch.where(self.u(g, 0, 1, B, 1) < .5, 50.0, 60.0); hum = sum(torch.sin(2 * math.pi * base * h * tt + h) * (.6 ** h) for h in (1, 2, 3, 4))
        nz = nz / nz.std(-1, keepdim=True) + hum * (self.u(g, 0, 1, B, 1) < .15) * self.u(g, .3, 4, B, 1)
        nz = nz * torch.sqrt(mixp)[:, None] * 10 ** (-self.u(g, 22, 65, B, 1) / 20)
        y = torch.cat([y, nz[:, None]], 1)
        # gain riding: one in five
        e = y.sum(1).pow(2).view(B, -1, 480).mean(-1); tau = .08 * 20 ** self.u(g, 0, 1, B, 1); n = e.shape[1]
        kern = torch.exp(-torch.arange(n, device=dev) * .01 / tau); e = torch.fft.irfft(torch.fft.rfft(e, 2 * n) * torch.fft.rfft(kern / kern.sum(-1, keepdim=True), 2 * n), 2 * n)[:, :n].clamp(min=0)
        ride = (mixp[:, None] / (e + 1e-3 * mixp[:, None])).clamp(.03, 36) ** (.5 * self.u(g, .3, 1, B, 1) * (self.u(g, 0, 1, B, 1) < .2))
        ride = torch.nn.functional.interpolate(ride[:, None], size=self.n, mode="linear")[:, 0]; y = y * ride[:, None]
        mix = y.sum(1)
        lim = mix.abs().amax(-1, keepdim=True) * torch.where(self.u(g, 0, 1, B, 1) < .2, self.u(g, .12, .8, B, 1), torch.ones(B, 1, device=dev)); mix = torch.maximum(torch.minimum(mix, lim), -lim)
        mix = self.codec(mix, g, self.u(g, 0, 1, B, 1) < .35)
        x, L = self.inputs(mix)
        st = self.bands(y); st = (st[..., 0::2] + st[..., 1::2]) / 2
        s = st.sum(1); share = st / (s[:, None] + 1e-30)
        return dict(x=torch.nan_to_num(x, 0, 8, -8).clamp(-8, 8).to(KEEP), share=(torch.nan_to_num(share) * 255).round().to(torch.uint8), total=torch.nan_to_num(torch.log10(s / L + F.FLOOR), 0, 8, -6).clamp(-6, 8).to(KEEP), level=torch.nan_to_num(torch.log10(L[:, 0] / L.mean(-1)), 0, 3, -6).clamp(-6, 3).to(KEEP))

    def inputs(self, mix):
        """[B, n] -> features as F.features makes them, and the running level [B, 1, steps]"""
        m = self.bands(mix); a, b = m[..., 0::2], m[..., 1::2]; p = (a + b) / 2
        lvl = self.running((p * self.kb[:, None]).sum(1))
        lg = self.fine @ self.power(mix, 16384, 4096); j = torch.round(torch.arange(self.steps, device=self.dev, dtype=torch.float64) / 2 + .125).long(); lf = lg[..., j]
        L = lvl[:, None] + 1e-20; la = torch.log10(p / L + F.FLOOR); d = torch.log10(b / L + F.FLOOR) - torch.log10(a / L + F.FLOOR); lf = torch.log10(lf / L + F.FLOOR)
        return torch.cat([la, d, lf], 1), L

    def running(self, tot):
        """Exponential mean with the start corrected as F.running_level does, looking ahead."""
        n = tot.shape[1]
        if not hasattr(self, "lin"):
            a0 = 1 - math.exp(-F.STEP_S / F.LEVEL_TAU_S); M = np.zeros((n, n)); row = np.zeros(n)
            for i in range(n):
                a = max(a0, 1 / (i + 1)); row = row * (1 - a); row[i] += a; M[i] = row
            M = M[np.minimum(np.arange(n) + F.LEVEL_AHEAD, n - 1)]; self.lin = torch.tensor(M.T, device=self.dev, dtype=torch.float32)
        return tot @ self.lin


GROUPS = [[0], [1], [2, 3], [4], [2], [3]]


def loudness(power, kb, win):
    """[B, 6, 64, T] -> window sums of K-weighted power of the groups [B, 6 groups, W]"""
    k = (power * kb[:, None]).sum(2); B, C, T = k.shape; W = T // win; k = k[..., : W * win].view(B, C, W, win).sum(-1)
    return torch.stack([k[:, q].sum(1) for q in GROUPS], 1), k.sum(1)


def prepare(e):
    x = e["x"].float(); p = (10 ** x[:, :64] - F.FLOOR).clamp(min=0); s = (10 ** e["total"].float() - F.FLOOR).clamp(min=0); lv = 10 ** e["level"].float()
    return p * lv[:, None], s * lv[:, None], e["share"].float() / 255


def loss(z, e, kb):
    p, s, share = prepare(e)
    w = torch.sqrt(s * kb[:, None]); f = torch.sqrt(s.mul(kb[:, None]).sum(1) / (s.mul(kb[:, None]).sum(1).mean(-1, keepdim=True) + 1e-12)).clamp(.05, 3)
    w = w / (w.sum(1, keepdim=True) + 1e-12) * f[:, None]
    ce = -(share * torch.log_softmax(z, 1)).sum(1); ent = -(share * torch.log(share.clamp(min=1e-6))).sum(1)
    kl = ((ce - ent) * w).sum(1).mean()
    q = torch.softmax(z, 1); est = q * p[:, None]; tru = share * s[:, None]; lo = []
    for win in (47, 188, 468):
        a, _ = loudness(est, kb, win); b, t = loudness(tru, kb, win); eps = .008 * t[:, None]
        d = 10 * torch.log10((a + eps + 1e-12) / (b + eps + 1e-12)).abs(); d = torch.where(d < 1, d * d / 2, d - .5)
        lo.append((d * torch.tensor([1, 1, 1, 1, .3, .3], device=d.device)[:, None]).mean())
    return kl + .14 * (lo[0] + lo[1] + lo[2]), torch.stack([kl.detach()] + [v.detach() for v in lo])


@torch.no_grad()
def score(net, val, kb, detail=False, dump=None):
    """Mean |error| in dB over 8 s windows of bass, drums, comping, horns (guitar, keys) where the layer is within 15 dB of the whole."""
    net.eval(); errs = [[] for _ in GROUPS]; sil = [[] for _ in GROUPS]; raw = [([], [], []) for _ in GROUPS]
    for i in range(0, val["x"].shape[0], 16):
        e = {k: v[i:i + 16] for k, v in val.items()}; p, s, share = prepare(e); q = torch.softmax(net(e["x"].float()), 1)
        a, ta = loudness(q * p[:, None], kb, 188); b, t = loudness(share * s[:, None], kb, 188); db = 10 * torch.log10((a + 1e-9 * t[:, None] + 1e-20) / (b + 1e-9 * t[:, None] + 1e-20)); rel = 10 * torch.log10(b / (t[:, None] + 1e-20) + 1e-9)
        ra = 10 * torch.log10(a / (ta[:, None] + 1e-20) + 1e-9)
        for c in range(len(GROUPS)): raw[c][0].append(db[:, c].flatten()); raw[c][1].append(rel[:, c].flatten()); raw[c][2].append(ra[:, c].flatten())
        for c in range(len(GROUPS)): errs[c].append(db[:, c][rel[:, c] > -15]); sil[c].append(ra[:, c][rel[:, c] < -35])
    out = [round(float(torch.cat(v).abs().mean()), 2) for v in errs]
    if detail and dump: np.savez(dump, **{f"err{c}": torch.cat(raw[c][0]).cpu().numpy() for c in range(len(GROUPS))}, **{f"rel{c}": torch.cat(raw[c][1]).cpu().numpy() for c in range(len(GROUPS))}, **{f"est{c}": torch.cat(raw[c][2]).cpu().numpy() for c in range(len(GROUPS))})
    if detail: out = dict(mean_abs=out, bias=[round(float(torch.cat(v).mean()), 2) for v in errs], p95=[round(float(torch.cat(v).abs().quantile(.95)), 2) for v in errs], silent_top10=[round(float(torch.cat(v).quantile(.9)), 1) if len(torch.cat(v)) else None for v in sil])
    return out
