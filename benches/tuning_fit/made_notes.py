#!/usr/bin/env python3
"""Plucked strings made by formula, as further guitars of the kit: so many unlike each other that a fit cannot learn them one by one.
usage: made_notes.py KIT OUT COUNT SEED
OUT gets the kit of more_notes.py (KIT may be one) and COUNT instruments guitar/made00_ ...: keys 40 to 76 in steps of 3, each twice.
A string's partials follow n f0 sqrt(1 + B n^2) (Fletcher 1964, as in CHECKS.md), are weak where it is plucked and where it is picked up, die the sooner the higher
they are, begin sharp by a little and settle, and are moved where the body answers; some instruments have none of that but the partials. Pitch by the kit's own rule."""
import json, multiprocessing, os, sys
import numpy as np, soundfile as sf
from more_notes import FS, measured
KEYS, TAKES, SECONDS = range(40, 77, 3), 2, 3.0
NAMES = ("c", "cs", "d", "ds", "e", "f", "fs", "g", "gs", "a", "as", "b")
def instrument(chance):
    """What one guitar is like."""
    plain = chance.random() < .2
    return dict(stiff=10 ** chance.uniform(-4.7, -3.7), wound=chance.uniform(1, 3), pluck=chance.uniform(.05, .35), pickup=chance.choice([None, chance.uniform(.06, .3)]), tilt=chance.uniform(.6, 2.2),
        dull_hz=chance.uniform(1200, 8000), decay=chance.uniform(.4, 3), decay_up=chance.uniform(.02, .5), glide=0 if plain else chance.uniform(0, 9), settle_s=chance.uniform(.05, .5),
        body=[] if plain else [(chance.uniform(90, 450), chance.uniform(8, 40), chance.uniform(0, 8), chance.uniform(0, 2.5)) for _ in range(chance.integers(0, 4))],
        two=0 if plain else chance.uniform(0, 1.2), loose=0 if plain else abs(chance.normal(0, .7)), thump=0 if plain else chance.uniform(0, .15), rise_s=chance.uniform(.001, .008), plain=plain)
def sound(guitar, key, chance):
    g = guitar; f0 = 440 * 2 ** ((key - 69 + chance.normal(0, .03)) / 12); t = np.arange(int(SECONDS * FS)) / FS; x = np.zeros(len(t))
    stiff = g["stiff"] * (g["wound"] if key % 12 in (4, 9, 2) else 1) * 2 ** ((key - 52) / 24); strength = chance.uniform(.5, 1.2)
    glide = g["glide"] * strength ** 2 * np.exp(-t / g["settle_s"])
    for n in range(1, min(40, int(.45 * FS / f0)) + 1):
        hz = n * f0 * np.sqrt((1 + stiff * n * n) / (1 + stiff)); level = n ** -g["tilt"] / (1 + (hz / g["dull_hz"]) ** 2)
        level *= .03 + abs(np.sin(np.pi * n * g["pluck"])) if not g["plain"] else 1
        if g["pickup"]: level *= .05 + abs(np.sin(np.pi * n * g["pickup"]))
        rate = g["decay"] * (1 + g["decay_up"] * n); cents = chance.normal(0, g["loose"])
        for body_hz, width, gain_db, pull in g["body"]:  # what the body takes up dies sooner and is pushed away from its resonance
            away = (hz - body_hz) / width; level *= 10 ** (gain_db / 20 / (1 + away ** 2)); rate *= 1 + gain_db / 8 / (1 + away ** 2); cents += pull * away / (1 + away ** 2)
        phase = 2 * np.pi * np.cumsum(hz * 2 ** ((cents + glide) / 1200)) / FS; decay = np.exp(-rate * t)
        x += level * decay * np.sin(phase + chance.uniform(0, 2 * np.pi))
        if g["two"]: x += .4 * level * np.exp(-.5 * rate * t) * np.sin(phase * 2 ** (chance.normal(0, g["two"]) / 1200) + chance.uniform(0, 2 * np.pi))
    x += g["thump"] * chance.normal(0, 1, len(t)) * np.exp(-t / .006)
    x = np.concatenate([np.zeros(int(.005 * FS)), x * np.minimum(1, t / g["rise_s"])])
    return x / np.abs(x).max() * 10 ** (-3 / 20)
def make(job):
    out, number, seed = job; chance = np.random.default_rng([seed, number]); g = instrument(chance); files = []
    for key in KEYS:
        for take in range(TAKES):
            name = f"{NAMES[key % 12]}{key // 12 - 1}"; x = sound(g, key, chance); best = measured(name, x)
            if best is None or best[0] != key: continue
            file = f"guitar/made{number:02d}_{name}_{take}.flac"; sf.write(f"{out}/{file}", x, FS, subtype="PCM_24"); cents = best[1]
            files.append(dict(file=file, midi=key, pitch_ok=True, peak_dbfs=-3.0, f0_cents_vs_et=round(float(np.median(cents)), 2), f0_frames=len(cents)))
    return files
if __name__ == "__main__":
    kit, out, count, seed = os.path.abspath(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]); os.makedirs(f"{out}/guitar", exist_ok=True)
    manifest = json.load(open(f"{kit}/MANIFEST.json"))
    for f in manifest["files"]:
        target = f"{out}/{f['file']}"; os.makedirs(os.path.dirname(target), exist_ok=True)
        if not os.path.lexists(target): os.symlink(f"{kit}/{f['file']}", target)
    for other in os.listdir(kit):
        if other != "MANIFEST.json" and not os.path.lexists(f"{out}/{other}"): os.symlink(f"{kit}/{other}", f"{out}/{other}")
    with multiprocessing.Pool() as pool: made = [f for files in pool.map(make, [(out, i, seed) for i in range(count)], chunksize=1) for f in files]
    manifest["files"] += made; json.dump(manifest, open(f"{out}/MANIFEST.json", "w")); print(len(made), "notes of", count, "guitars")
