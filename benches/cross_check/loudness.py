"""Integrated loudness of ten synthesised signals by pyloudnorm (MIT), stored for `cargo test`.

    pip install pyloudnorm==0.2.0 numpy && python3 benches/cross_check/loudness.py tests/fixtures/cross_check/loudness.json

The signals are formulas; tests/it/cross_check_loudness.rs holds the same ten. The library's DEFAULT filter is not the one
tabulated in ITU-R BS.1770-5 (it uses round parameters and reads about 0.04 LU lower on programme); its filter class
"DeMan" is the one fitted to the tables, and is used here. Its blocks do not start anew at a cut, so lengths are whole
tenths of a second.
"""
import importlib.metadata
import json
import sys

import numpy as np
import pyloudnorm

VERSION = "0.2.0"
TAU = 2 * np.pi


def noise(seed, count):
    """splitmix64 as numbers in -1..1."""
    with np.errstate(over="ignore"):
        z = np.uint64(seed) + np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        z = z ^ (z >> np.uint64(31))
    return (z >> np.uint64(11)).astype(np.float64) / 2.0**52 - 1.0


def sine(t, hz, amplitude):
    return amplitude * np.sin(TAU * hz * t)


def signals():
    def times(rate, seconds):
        return np.arange(int(rate * seconds)) / rate

    t = times(48000, 10)
    yield "sine_1000_hz", 48000, [sine(t, 1000, 0.1)] * 2
    t = times(44100, 10)
    yield "low_e_mono", 44100, [sine(t, 41.203, 0.5)]
    t = times(96000, 5)
    yield "sine_8000_hz_left_only", 96000, [sine(t, 8000, 0.05), 0 * t]
    t = times(48000, 10)
    yield "white_noise", 48000, [0.3 * noise(1, len(t)), 0.3 * noise(2, len(t))]
    t = times(48000, 20)
    yield "loud_and_soft_noise", 48000, [np.where(np.floor(t / 2) % 2 == 0, 0.5, 0.05) * noise(3, len(t))]
    t = times(48000, 24)
    yield "tone_pause_tone", 48000, [sine(t, 440, 1) * np.where(t < 8, 0.3, np.where(t < 16, 1e-5, 0.1))] * 2
    t = times(44100, 20)
    chirp = 0.4 * np.sin(TAU * 30 * 20 / np.log(500) * (500 ** (t / 20) - 1))
    yield "chirp_30_to_15000_hz", 44100, [chirp, 0.5 * chirp]
    t = times(48000, 20)
    u = t % 0.5
    hz = 110 * 2 ** ((np.floor(t / 0.5) * 7 % 24) / 12)
    yield "plucked_notes", 48000, [0.3 * np.exp(-4 * u) * (np.sin(TAU * hz * u) + 0.5 * np.sin(2 * TAU * hz * u))] * 2
    t = times(44100, 18)
    u, v = t % 0.6, t % 0.3
    yield "kick_and_ride", 44100, [0.8 * np.exp(-12 * u) * np.sin(TAU * 60 * u) + 0.1 * np.exp(-8 * v) * noise(5, len(t))]
    t = times(48000, 5)
    parts = [(300, 0.1), (500, 0.1), (1000, 0.2), (2000, 0.05), (3000, 0.05)]
    yield "five_channels", 48000, [sine(t, hz, a) for hz, a in parts]


def main():
    installed = importlib.metadata.version("pyloudnorm")
    if installed != VERSION:
        sys.exit(f"pyloudnorm {installed} found, {VERSION} wanted")
    rows = []
    for name, rate, channels in signals():
        meter = pyloudnorm.Meter(rate, filter_class="DeMan")
        value = float(meter.integrated_loudness(np.stack(channels, axis=1)))
        rows.append({"name": name, "sample_rate_hz": rate, "integrated_lufs": round(value, 6)})
    answer = {
        "library": "pyloudnorm",
        "version": VERSION,
        "filter_class": "DeMan",
        "made_by": "benches/cross_check/loudness.py",
        "signals": rows,
    }
    with open(sys.argv[1], "w", encoding="utf-8") as out:
        json.dump(answer, out, indent=1)
        out.write("\n")


if __name__ == "__main__":
    main()
