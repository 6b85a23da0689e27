#!/usr/bin/env python3
"""More recorded instruments beside the kit of real notes, their pitch measured by the kit's own rule.
usage: more_notes.py KIT OUT NAME=FOLDER|PATCH.pat ...
KIT: the kit (MANIFEST.json says the rule). FOLDER: one audio file a note, named by it (Cs2.mp3: C sharp 2). PATCH: a GF1 patch, one sample a note. OUT gets a kit that holds both:
links to the kit's files, the new notes as FLAC (44.1 kHz, mono, from a twentieth of a second before the onset) under NAME (guitar/steel: guitar/steel_cs2.flac).
Notes whose period is not clear, or more than 80 cents from their name in any octave, are left out and said."""
import json, os, struct, sys
import numpy as np, soundfile as sf, soxr
FS = 44100
STEPS = dict(c=0, d=2, e=4, f=5, g=7, a=9, b=11)
def midi_of(name):
    letter, sharp, octave = name[0].lower(), "s" in name[1:], int(name[-1])
    return 12 * (octave + 1) + STEPS[letter] + sharp
def periods(x, expected_hz):
    """The kit's rule: median of YIN over frames (cents from expected), its quartiles, glide, frames."""
    window = int(max(.05, 3 / expected_hz) * FS); out = []
    low, high = int(FS / (1.4 * expected_hz)), int(FS / (.72 * expected_hz)) + 2
    for o in range(int(.1 * FS), min(len(x), int(1.6 * FS)) - window - high, int(.02 * FS)):
        a = x[o:o + window].astype(float); b = x[o:o + window + high].astype(float)
        size = 1 << int(np.ceil(np.log2(2 * len(b))))
        cross = np.fft.irfft(np.fft.rfft(b, size) * np.conj(np.fft.rfft(a, size)), size)[:high + 1]
        power = np.concatenate([[0], np.cumsum(b * b)]); d = power[window] + power[window:window + high + 1] - power[:high + 1] - 2 * cross
        mean = d[1:] * np.arange(1, high + 1) / np.maximum(1e-12, np.cumsum(d[1:])); mean = np.concatenate([[1], mean])
        below = np.where(mean[low:high] < .12)[0]
        k = low + (below[0] if len(below) else int(np.argmin(mean[low:high])))
        while k + 1 < high and mean[k + 1] < mean[k]: k += 1
        if mean[k] > .15 or not low < k < high: continue
        u, v, w = d[k - 1:k + 2]; shift = .5 * (u - w) / (u - 2 * v + w) if u - 2 * v + w > 0 else 0
        out.append(1200 * np.log2(FS / (k + shift) / expected_hz))
    return np.array(out)
def samples(source):
    """Name, sound, rate of each note."""
    if source.endswith(".pat"):
        b = open(source, "rb").read(); at = 129 + 63 + 47
        for _ in range(b[129 + 63 + 6]):
            size, _, _, rate, _, _, root = struct.unpack("<IIIHIII", b[at + 8:at + 34]); unsigned = b[at + 55] & 2
            raw = b[at + 96:at + 96 + size // 2 * 2]; at += 96 + size
            x = np.frombuffer(raw, "<u2").astype(np.int32) - 32768 if unsigned else np.frombuffer(raw, "<i2")
            midi = int(round(69 + 12 * np.log2(root / 440e3))); step = midi % 12
            letter = max((v, k) for k, v in STEPS.items() if v <= step); yield f"{letter[1]}{'s' * (step - letter[0])}{midi // 12 - 1}", x.astype(np.float32) / 32768, rate
        return
    for file in sorted(os.listdir(source)):
        if file.lower().endswith((".mp3", ".wav", ".ogg", ".flac")):
            x, fs = sf.read(f"{source}/{file}", dtype="float32"); yield os.path.splitext(file)[0].lower(), x.mean(1) if x.ndim > 1 else x, fs
def note(x, fs):
    x = soxr.resample(x, fs, FS) if fs != FS else x
    onset = int(np.argmax(np.abs(x) > .05 * np.abs(x).max())); x = x[max(0, onset - int(.005 * FS)):][:int(4 * FS)]
    return x / max(1e-9, np.abs(x).max()) * 10 ** (-3 / 20)
def measured(name, x):
    midi = midi_of(name)
    best = None
    for octave in (0, 12, -12):  # sets name their octaves by different habits
        cents = periods(x, 440 * 2 ** ((midi + octave - 69) / 12))
        if len(cents) >= 10 and abs(np.median(cents)) < 80 and (best is None or len(cents) > 1.2 * len(best[1])): best = (midi + octave, cents)
    return best
if __name__ == "__main__":
    kit, out = os.path.abspath(sys.argv[1]), sys.argv[2]; os.makedirs(out, exist_ok=True)
    manifest = json.load(open(f"{kit}/MANIFEST.json")); made = {}
    for name, source in (a.split("=", 1) for a in sys.argv[3:]):
        for key, sound, rate in samples(source):
            x = note(sound, rate); best = measured(key, x); file = f"{name}_{key}.flac"
            if best is None: print("left out, no clear period:", file); continue
            midi, cents = best; fifth = max(1, len(cents) // 5)
            made[file] = x
            manifest["files"].append(dict(file=file, midi=midi, pitch_ok=True, peak_dbfs=-3.0, f0_cents_vs_et=round(float(np.median(cents)), 2),
                f0_iqr_cents=[round(float(v - np.median(cents)), 1) for v in np.percentile(cents, [25, 75])], f0_glide_cents=round(float(np.median(cents[:fifth]) - np.median(cents[-fifth:])), 1), f0_frames=len(cents)))
    for f in manifest["files"]:
        target = f"{out}/{f['file']}"; os.makedirs(os.path.dirname(target), exist_ok=True)
        if f["file"] in made: sf.write(target, made[f["file"]], FS, subtype="PCM_24")
        elif not os.path.lexists(target): os.symlink(f"{kit}/{f['file']}", target)
    for other in os.listdir(kit):  # rooms, speech and the like
        if not os.path.lexists(f"{out}/{other}"): os.symlink(f"{kit}/{other}", f"{out}/{other}")
    os.path.islink(f"{out}/MANIFEST.json") and os.remove(f"{out}/MANIFEST.json")
    json.dump(manifest, open(f"{out}/MANIFEST.json", "w"))
