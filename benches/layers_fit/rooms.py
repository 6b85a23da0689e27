#!/usr/bin/env python3
"""Measured room responses for the training: usage: rooms.py KIT_DIR OUT_DIR (48 kHz, direct sound at 0, room_*.npy)."""
import glob, sys, numpy as np, soundfile as sf, soxr
for i, p in enumerate(sorted(glob.glob(sys.argv[1] + "/rooms/*.flac"))):
    x, fs = sf.read(p, dtype="float32"); x = x if x.ndim == 1 else x[:, 0]; x = soxr.resample(x, fs, 48000)
    k = max(0, int(np.argmax(np.abs(x))) - 24); x = x[k:k + 72000]; np.save(f"{sys.argv[2]}/room_{i}.npy", (x / np.max(np.abs(x))).astype(np.float32)); print(p.split("/")[-1], len(x))
