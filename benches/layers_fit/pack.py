#!/usr/bin/env python3
"""Packs the library for the journey: the notes of an instrument one after the other in one Vorbis file. usage: pack.py LIBRARY OUT"""
import glob, json, os, shutil, sys
import multiprocessing as mp, numpy as np, soundfile as sf

RATE, GAP = 32000, 1600


def one(task):
    src, out, inst, notes = task; parts, at = [], 0; done = []
    for n in notes:
        x, _ = sf.read(f"{src}/{n['f']}", dtype="float32"); done.append(dict(n, f=inst.replace("/", "_") + "_" + n["cls"] + ".ogg", at=at, n=len(x))); parts += [x, np.zeros(GAP, np.float32)]; at += len(x) + GAP
    x = np.concatenate(parts)
    with sf.SoundFile(f"{out}/{done[0]['f']}", "w", RATE, 1, format="OGG", subtype="VORBIS", compression_level=.55 if "/" in inst else .65) as f:
        for i in range(0, len(x), RATE): f.write(x[i:i + RATE])
    return done


if __name__ == "__main__":
    src, out = sys.argv[1:3]; os.makedirs(out, exist_ok=True); by = {}
    for n in json.load(open(src + "/index.json")): by.setdefault((n["inst"], n["cls"]), []).append(n)
    with mp.Pool(2) as p: done = p.map(one, [(src, out, k[0], v) for k, v in by.items()])
    json.dump([n for d in done for n in d], open(out + "/index.json", "w"))
    for f in glob.glob(src + "/room_*.npy"): shutil.copy(f, out)
