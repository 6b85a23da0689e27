#!/usr/bin/env python3
"""Builds the library of single notes that the layer network is trained on.

usage: library.py KIT_DIR OUT_DIR
needs: fluidsynth and the sound fonts of the packages fluid-soundfont-gm, timgm6mb-soundfont and musescore-general-soundfont (Debian; the
last one may lie elsewhere: THIRD_FONT); numpy scipy soundfile soxr mido (PyPI).
KIT_DIR holds recorded notes (MANIFEST.json). Output: one Vorbis file a note, mono, 32 kHz, peak-normalised, and index.json:
a list of {f, cls, inst, midi, piece, held}. `held` notes are kept out of training and make the check mixtures.
"""
import json, os, subprocess, sys, tempfile
import mido, numpy as np, soundfile as sf, soxr

RATE = 32000
FONTS = {"fl": "/usr/share/sounds/sf2/FluidR3_GM.sf2", "ti": "/usr/share/sounds/sf2/TimGM6mb.sf2", "mu": os.environ.get("THIRD_FONT", "/usr/share/sounds/sf3/MuseScore_General_Full.sf3")}
MELODIC = [  # class, GM programs, keys, velocities of each key, seconds
    ("bass", [32, 33, 34, 35, 36, 37, 38, 39], range(28, 58, 3), (60, 105), 1.5),
    ("guitar", [24, 25, 26, 27, 28, 29], range(40, 82, 4), (60, 105), 1.5),
    ("keys", [0, 1, 2, 3, 4, 5, 7, 11, 12, 16, 17, 18], range(41, 97, 5), (60, 100), 1.5),
    ("horns", [56, 57, 58, 59, 60, 61, 64, 65, 66, 67, 68, 71, 73, 40, 42, 48], None, (65, 110), 1.8),
]
HORN_RANGE = {58: (30, 55), 68: (58, 85), 40: (55, 88), 42: (40, 70), 48: (45, 84), 56: (54, 84), 57: (40, 70), 59: (54, 82), 60: (41, 72), 61: (43, 80), 64: (56, 84), 65: (49, 80), 66: (44, 75), 67: (37, 68), 71: (50, 88), 73: (60, 93)}
PIECES = {35: "kick", 36: "kick", 38: "snare", 40: "snare", 37: "stick", 42: "hat", 44: "pedal", 46: "open", 51: "ride", 59: "ride", 53: "bell", 49: "crash", 57: "crash", 41: "tom", 45: "tom", 48: "tom", 50: "tom"}
KITS = {"fl": [0, 8, 16, 24, 25, 32, 40, 48], "ti": [0, 8, 16, 25, 32, 40, 48], "mu": [0, 8, 16, 24, 25, 32, 40, 48]}
HELD_KITS = {("fl", 16)}
SHORT = {"kick": .6, "snare": .7, "stick": .4, "hat": .4, "pedal": .4, "open": 1.2, "ride": 1.8, "bell": 1.6, "crash": 2.0, "tom": .9}
FROM_KIT = {  # folder of the kit, place of the set among the folder's sets by name: class, seconds, stride, held
    ("bass_upright", 0): ("bass", 1.6, 1, False), ("bass_upright", 1): ("bass", 1.6, 1, False), ("bass_electric", 0): ("bass", 1.6, 1, False),
    ("bass_electric", 2): ("bass", 1.6, 1, False), ("bass_electric", 1): ("bass", 1.6, 4, True),
    ("guitar", 0): ("guitar", 1.6, 1, False), ("guitar", 1): ("guitar", 1.6, 4, True),
    ("piano", 0): ("keys", 1.6, 1, False), ("piano", 1): ("keys", 1.6, 2, True),
    ("horns", 1): ("horns", 1.8, 1, False), ("horns", 0): ("horns", 1.8, 2, True),
    ("drums", 1): ("drums", 1.8, 1, False), ("drums", 0): ("drums", 1.5, 1, False), ("drums", 2): ("drums", .8, 1, True),
}


def render(font, program, drum, events, gap):
    mid = mido.MidiFile(ticks_per_beat=1000); tr = mido.MidiTrack(); mid.tracks.append(tr)
    ch = 9 if drum else 0; last = 0
    tr.append(mido.MetaMessage("set_tempo", tempo=1000000)); tr.append(mido.Message("program_change", channel=ch, program=program))
    for i, (key, vel, dur) in enumerate(events):
        for at, msg in ((100 + int(i * gap * 1000), mido.Message("note_on", channel=ch, note=key, velocity=vel)), (100 + int((i * gap + dur) * 1000), mido.Message("note_off", channel=ch, note=key, velocity=0))):
            msg.time = at - last; last = at; tr.append(msg)
    with tempfile.TemporaryDirectory() as td:
        mid.save(td + "/a.mid")
        subprocess.run(["fluidsynth", "-q", "-n", "-i", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE), "-O", "float", "-F", td + "/a.wav", font, td + "/a.mid"], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        x, _ = sf.read(td + "/a.wav", dtype="float32")
    x = x.mean(axis=1)
    return [x[int((.1 + i * gap - .002) * RATE):int((.1 + (i + 1) * gap - .02) * RATE)] for i in range(len(events))]


def main():
    kit, out = sys.argv[1], sys.argv[2]; os.makedirs(out, exist_ok=True); index = []

    def keep(x, name, **meta):
        p = np.max(np.abs(x)) if len(x) else 0
        if p < 1e-4: return
        x = x / p * .9
        loud = np.nonzero(np.abs(x) > 10 ** (-62 / 20))[0]; x = x[: loud[-1] + 1]
        m = min(len(x), int(.02 * RATE)); x[-m:] = x[-m:] * np.linspace(1, 0, m)
        f = name + ".ogg"
        sf.write(f"{out}/{f}", x.astype(np.float32), RATE, format="OGG", subtype="VORBIS", compression_level=.45 if "/" in meta["inst"] else .6)
        index.append(dict(f=f, **meta))

    for fn, font in FONTS.items():
        for cls, progs, keys, vels, sec in MELODIC:
            for p in progs:
                ks = list(keys) if keys else list(range(*HORN_RANGE[p], 4))
                ev = [(k, v, sec) for k in ks for v in vels]
                for (k, v, _), x in zip(ev, render(font, p, False, ev, sec + .5)):
                    keep(x[: int(sec * RATE)], f"{fn}{p}_{k}_{v}", cls=cls, inst=f"{fn}{p}", midi=k, piece=None, held=False)
        for p in KITS[fn]:
            ev = [(k, v, .3) for k in PIECES for v in (35, 75, 115)]
            for (k, v, _), x in zip(ev, render(font, p, True, ev, 2.4)):
                keep(x[: int(SHORT[PIECES[k]] * RATE)], f"{fn}d{p}_{k}_{v}", cls="drums", inst=f"{fn}d{p}", midi=None, piece=PIECES[k], held=(fn, p) in HELD_KITS)
    M = json.load(open(kit + "/MANIFEST.json"))["files"]
    set_of = lambda f: f["file"].split("/")[1].split("_")[0]
    for (folder, place), (cls, sec, stride, held) in FROM_KIT.items():
        name = sorted({set_of(f) for f in M if f["file"].startswith(folder + "/")})[place]; pre = f"{folder}/{place}"
        fs = sorted((f for f in M if f["file"].startswith(folder + "/") and set_of(f) == name), key=lambda f: (f.get("midi") or 0, f["file"]))
        if cls != "drums": fs = [f for f in fs if f.get("midi") is not None and f.get("f0_cents_vs_et") is not None]
        for f in fs[::stride]:
            x, fs_ = sf.read(f"{kit}/{f['file']}", dtype="float32")
            if x.ndim > 1: x = x.mean(axis=1)
            x = soxr.resample(x, fs_, RATE)
            on = np.nonzero(np.abs(x) > .03 * np.max(np.abs(x)))[0][0]; x = x[max(0, on - int(.003 * RATE)):]
            piece = None
            if cls == "drums":
                b = f["file"].split("/")[1]
                piece = "kick" if "kick" in b else "hat" if "hh_closed" in b else "open" if "hh_open" in b else "ride" if "ride" in b else "stir" if "stir" in b else "brush" if "brush" in b else "snare"
            keep(x[: int(sec * RATE)], f["file"].replace("/", "_")[:-5], cls=cls, inst=pre, midi=f.get("midi"), piece=piece, held=held)
    json.dump(index, open(out + "/index.json", "w"))
    print(len(index), "notes")


if __name__ == "__main__":
    main()
