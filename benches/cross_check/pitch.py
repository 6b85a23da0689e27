#!/usr/bin/env python3
"""Pitch of single notes by a general-purpose library, beside ours.

usage: pitch.py KIT OURS.json OUT.json
needs: numpy soundfile librosa (PyPI). KIT/MANIFEST.json as for `cargo bench --bench tuning`, OURS.json as that bench writes
it. Every eighth note is read (pyin is slow): librosa.yin and librosa.pyin, median over 0.1 to 1.6 s. The library is told
the range (an octave either way), which ours is not. The manifest's pitch comes from a period detector of the same family
as both of the library's, so that a stiff string's upper partials count alike for it and less for us.
"""
import json, sys
import numpy as np, soundfile as sf, librosa


def cents(f0):
    f0 = f0[np.isfinite(f0)]
    return None if len(f0) < 3 else float(6900 + 1200 * np.log2(np.median(f0) / 440))


def main():
    kit, ours, out = sys.argv[1:4]
    found = {r["file"]: r["found_cents"] for r in json.load(open(ours))}
    notes = [f for f in json.load(open(f"{kit}/MANIFEST.json"))["files"] if f.get("pitch_ok")][::8]
    rows = []
    for f in notes:
        x, fs = sf.read(f"{kit}/{f['file']}", dtype="float32", always_2d=True)
        x = x.mean(axis=1); on = int(np.argmax(np.abs(x) > 0.1 * np.abs(x).max()))
        x = x[on + int(.1 * fs):on + int(1.6 * fs)]; hz = 440 * 2 ** ((f["midi"] - 69) / 12)
        n = 1 << int(np.ceil(np.log2(6 * fs / hz))); lo, hi = hz / 2, min(hz * 2, fs / 4)
        y = librosa.yin(x, fmin=lo, fmax=hi, sr=fs, frame_length=max(n, 2048), hop_length=512)
        p = librosa.pyin(x, fmin=lo, fmax=hi, sr=fs, frame_length=max(n, 2048), hop_length=512, resolution=0.05)[0]
        rows.append(dict(file=f["file"], truth_cents=100 * f["midi"] + f["f0_cents_vs_et"], ours=found[f["file"]], yin=cents(y), pyin=cents(p)))
    json.dump(dict(library=f"librosa {librosa.__version__}", notes=rows), open(out, "w"), indent=0)
    for who in ("ours", "yin", "pyin"):
        e = np.array([abs(r[who] - r["truth_cents"]) for r in rows if r[who] is not None])
        print(f"{who:5s} {len(e)} of {len(rows)} notes, octave right {100 * np.mean(e < 100):.1f} %, |difference| median {np.median(e):.2f} cents, 90 % {np.percentile(e, 90):.1f}")


if __name__ == "__main__":
    main()
