"""Invented instruments: single notes by plain synthesis, so that the network does not lean on how recorded ones sound.

Every instrument draws its own spectrum, decay, attack and noise once; keys and pieces follow it. Nothing here imitates anything.
"""
import numpy as np

RATE = 48000
RANGES = {"bass": (28, 62, 4), "guitar": (40, 86, 4), "keys": (36, 97, 5), "horns": (44, 88, 4)}
PIECES = ["kick", "snare", "stick", "hat", "pedal", "open", "ride", "bell", "crash", "tom", "brush", "stir"]


def tone(rng, p, midi):
    """One note of the instrument p: partials with their own decay, an attack, a little noise."""
    f0 = 440 * 2 ** ((midi - 69) / 12); n = int(p["seconds"] * RATE); t = np.arange(n, dtype=np.float32) / RATE; x = np.zeros(n, np.float32)
    vib = np.cumsum(p["vib"] * f0 * np.sin(2 * np.pi * p["vib_hz"] * t).astype(np.float32)) / RATE if p["vib"] else 0
    grow = 1 - np.exp(-t / p["attack"]) if p["attack"] else 1
    for h in range(1, p["partials"] + 1):
        f = f0 * h * np.sqrt(1 + p["stiff"] * h * h)
        if f > 14000: break
        a = p["amps"][h - 1] * h ** -p["slope"] * (1 / (1 + (f / p["corner"]) ** 2)) * (abs(np.sin(np.pi * h * p["pluck"])) + .05 if p["pluck"] else 1)
        env = np.exp(-t * (p["decay"] * (1 + p["damp"] * f / 1000))) if p["decay"] else 1
        lag = (1 - np.exp(-t / (p["attack"] * (1 + .15 * h)))) if p["attack"] else 1
        x += np.float32(a) * np.sin(2 * np.pi * (f * t + h * vib) + rng.uniform(0, 6.28)).astype(np.float32) * env * lag
    if p["noise"]:
        w = band(rng, n, 30, p["noise_hz"]) if p["noise_hz"] else rng.standard_normal(n).astype(np.float32); k = p["noise_len"]
        w[1:] = w[1:] - p["noise_tilt"] * w[:-1]
        x += w * np.float32(p["noise"] * np.abs(x).max()) * (np.exp(-t / k) if k else grow)
    return x / (np.abs(x).max() + 1e-9) * .9


def instrument(rng, cls):
    p = dict(partials=int(rng.integers(3, 24)), slope=rng.uniform(.3, 2.2), corner=10 ** rng.uniform(2.6, 4.0), stiff=0, pluck=0, vib=0, vib_hz=rng.uniform(4, 7), attack=0.002, decay=0, damp=0, noise=0, noise_len=.02, noise_tilt=rng.uniform(0, 1), noise_hz=0, seconds=1.6)
    p["amps"] = 10 ** (rng.normal(0, 6, 24) / 20)
    if rng.random() < .2: p["amps"][1::2] *= .15
    plucked = dict(decay=10 ** rng.uniform(-.3, .8), damp=rng.uniform(.1, 2), attack=rng.uniform(.001, .006), noise=rng.choice([0, 1]) * rng.uniform(.02, .3), noise_len=rng.uniform(.003, .03))
    blown = dict(decay=0, attack=rng.uniform(.01, .08), vib=rng.choice([0, 1]) * rng.uniform(.001, .012), noise=rng.choice([0, 1]) * rng.uniform(.003, .05), noise_len=0, seconds=3.2)
    if cls == "bass":
        p.update(plucked if rng.random() < .8 else blown); p["decay"] = min(p["decay"], 3.0); p["vib"] = 0; p["noise_hz"], p["noise_tilt"] = 10 ** rng.uniform(2.7, 3.6), 0; p["corner"] = 10 ** (rng.uniform(2.3, 3.4) if rng.random() < .7 else rng.uniform(3.2, 3.8))
    elif cls == "guitar":
        p.update(plucked); p["pluck"] = rng.uniform(.08, .4); p["stiff"] = 10 ** rng.uniform(-5.5, -4)
    elif cls == "keys":
        p.update(plucked); p["stiff"] = 10 ** rng.uniform(-5.5, -3.3)
        if rng.random() < .3: p["partials"] = int(rng.integers(2, 6))
    else:
        p.update(blown)
    return p


def band(rng, n, lo, hi):
    """Noise between two frequencies, soft edges."""
    f = np.fft.rfftfreq(n, 1 / RATE); w = np.fft.rfft(rng.standard_normal(n)); g = 1 / np.sqrt((1 + (lo / np.maximum(f, 1)) ** 4) * (1 + (f / hi) ** 4))
    x = np.fft.irfft(w * g, n).astype(np.float32); return x / x.std()


def metal(rng, n, lo, hi, count):
    t = np.arange(n, dtype=np.float32) / RATE; x = np.zeros(n, np.float32)
    for f in np.exp(rng.uniform(np.log(lo), np.log(hi), count)): x += np.sin(2 * np.pi * f * t + rng.uniform(0, 6.28)).astype(np.float32) * np.exp(-t * rng.uniform(1, 8))
    return x / (x.std() + 1e-9)


def edges(rng, lo, hi, white):
    """Lower and upper edge of a piece's noise; a share of the pieces is noise from the lowest band to the highest."""
    return (10 ** rng.uniform(1.3, 2.5), rng.uniform(8000, 20000)) if rng.random() < white else (lo, hi)


def tilted(rng, x, share):
    """A share of the noises rises towards the highest band, by up to 12 dB an octave."""
    if rng.random() >= share: return x
    for _ in range(int(rng.integers(1, 3))): x = np.concatenate([x[:1], x[1:] - np.float32(rng.uniform(.5, 1)) * x[:-1]])
    return x / x.std()


def piece(rng, name):
    sec = dict(kick=.5, snare=.5, stick=.2, hat=.25, pedal=.2, open=1.0, ride=1.6, bell=1.4, crash=2.0, tom=.7, brush=.4, stir=.8)[name]; n = int(sec * RATE); t = np.arange(n, dtype=np.float32) / RATE
    fall = lambda tau: np.exp(-t / tau).astype(np.float32)
    def drum(f, bend, tau): return np.sin(2 * np.pi * (f * t + f * bend * .03 * (1 - np.exp(-t / .03)))).astype(np.float32) * fall(tau)
    if name == "kick": x = drum(rng.uniform(38, 75), rng.uniform(0, 3), rng.uniform(.04, .25)) + rng.uniform(0, .4) * band(rng, n, 800, 5000) * fall(.006) + rng.uniform(0, .15) * band(rng, n, 60, 600) * fall(.04)
    elif name == "tom": x = drum(rng.uniform(75, 220), rng.uniform(0, 1), rng.uniform(.08, .35)) + rng.uniform(0, .2) * band(rng, n, *edges(rng, 300, 4000, .3)) * fall(.02)
    elif name == "snare":
        skin = rng.uniform(.2, 1) * (rng.random() < .7); x = skin * drum(rng.uniform(150, 260), rng.uniform(0, .5), rng.uniform(.03, .12))
        x = x + rng.uniform(.15, .7) * tilted(rng, band(rng, n, *edges(rng, rng.uniform(200, 2000), rng.uniform(4000, 12000), .5)), .15) * fall(rng.uniform(.03, .18))
    elif name == "stick": x = band(rng, n, *edges(rng, rng.uniform(700, 1500), rng.uniform(1800, 6000), .3)) * fall(rng.uniform(.005, .03)) + rng.uniform(0, 2) * drum(rng.uniform(500, 1700), 0, rng.uniform(.01, .05))
    elif name == "brush": a = rng.uniform(.005, .05); x = tilted(rng, band(rng, n, *edges(rng, rng.uniform(500, 2500), rng.uniform(4000, 11000), .3)), .15) * (t / a * np.exp(1 - t / a)).astype(np.float32) ** rng.uniform(.3, 1)
    elif name == "stir": x = tilted(rng, band(rng, n, *edges(rng, rng.uniform(500, 2500), rng.uniform(4000, 11000), .3)), .15) * np.sin(np.pi * t / sec).astype(np.float32) ** rng.uniform(.5, 2)
    else:
        tau = dict(hat=rng.uniform(.015, .08), pedal=rng.uniform(.01, .06), open=rng.uniform(.15, .5), ride=rng.uniform(.15, .9), bell=rng.uniform(.2, .8), crash=rng.uniform(.4, 1.2))[name]
        lo = rng.uniform(250, 900) if name == "bell" else rng.uniform(700, 6000); x = rng.uniform(.1, 1) * tilted(rng, band(rng, n, *edges(rng, lo, rng.uniform(7000, 18000), .12)), .3) + rng.uniform(0, 1) * metal(rng, n, lo, 12000, int(rng.integers(3, 30)))
        x = x * fall(tau) + rng.uniform(0, 1.5) * band(rng, n, 2000, 9000) * fall(.004)
    return x / (np.abs(x).max() + 1e-9) * .9


def make(task):
    """(class, number, seed) -> list of notes."""
    cls, number, seed = task; rng = np.random.default_rng([seed, number, len(cls), ord(cls[0])]); out = []
    if cls == "drums":
        for p in PIECES:
            for _ in range(3): out.append(dict(cls=cls, inst=f"invented{number}", midi=None, piece=p, held=False, x=piece(rng, p).astype(np.float32)))
    else:
        p = instrument(rng, cls); lo, hi, step = RANGES[cls]
        for k in range(lo, hi, step): out.append(dict(cls=cls, inst=f"invented{number}", midi=k, piece=None, held=False, x=tone(rng, p, k).astype(np.float32)))
    return out
