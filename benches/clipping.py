#!/usr/bin/env python3
"""Clipped recordings under lossy codecs, against the share of frames that truly were clipped.
usage: clipping.py PROGRAM OUT.json SEED COUNT PATH...
PATH: folders or files of recordings that do not touch full scale. COUNT pieces of up to 70 s are cut out by chance, turned up to 3 dB
under to 9 dB over full scale, cut off there, now and then turned down, coded (MP3, AAC, Vorbis, Opus) and reviewed by PROGRAM. OUT.json
gets a row a piece. Needs ffmpeg, numpy and soundfile."""
import glob, json, os, random, subprocess, sys, tempfile
import numpy as np, soundfile as sf
CODERS = dict(mp3=[], m4a=[], ogg=[], opus=["-c:a", "libopus"])
CLASSES = [(-1, 0), (0, .0005), (.0005, .001), (.001, .003), (.003, .01), (.01, .1), (.1, 100)]
TOLD = .001  # percent: from here on the program speaks of it

def decoded(path):
    about = ["ffprobe", "-v", "error", "-show_entries", "stream=channels,sample_rate", "-of", "csv=p=0", path]
    rate, channels = subprocess.run(about, capture_output=True, text=True).stdout.strip().strip(",").split(",")[:2]
    raw = subprocess.run(["ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-"], capture_output=True).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, int(channels)), int(rate)

def piece(chance, source, folder, number):
    x, rate = decoded(source)
    if len(x) > rate * 70: at = chance.randint(0, len(x) - rate * 70); x = x[at:at + rate * 70]
    top = np.abs(x).max()
    if not 0 < top < .999: return None
    over_db = chance.choice([chance.uniform(-3, 0), chance.uniform(0, 2), chance.uniform(1, 4), chance.uniform(3, 9)])
    y = x / top * 10 ** (over_db / 20); percent = float((np.abs(y) >= 1).mean(0).max() * 100)
    turned_down = chance.choice([1, 1, 1, 10 ** (-chance.uniform(.5, 6) / 20)])
    kind, rate_k = chance.choice(["mp3", "m4a", "ogg", "opus", "m4a", "mp3"]), chance.choice([64, 96, 128, 160, 192])
    wav, out = f"{folder}/p{number}.wav", f"{folder}/p{number}.{kind}"
    sf.write(wav, np.clip(y, -1, 1) * turned_down, rate, subtype="PCM_16")
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", wav, "-b:a", f"{rate_k}k"] + CODERS[kind] + [out], check=True); os.remove(wav)
    return dict(file=os.path.basename(out), source=os.path.basename(source), over_db=round(over_db, 2), percent=percent, turned_down=round(turned_down, 3), kbit=rate_k)

def main(program, out, seed, count, *paths):
    chance = random.Random(int(seed)); files = sorted(f for p in paths for f in ([p] if os.path.isfile(p) else glob.glob(p + "/**/*", recursive=True))
        if f.endswith((".flac", ".wav", ".ogg", ".mp3", ".m4a")))
    with tempfile.TemporaryDirectory() as work:
        os.makedirs(work + "/pieces")
        rows = [r for r in (piece(chance, chance.choice(files), work + "/pieces", i) for i in range(int(count))) if r]
        subprocess.run([program, "review", work + "/pieces", "--out", work + "/reports"], check=True, capture_output=True)
        told = {}
        for path in glob.glob(work + "/reports/*/report.json"):
            report = json.load(open(path)); told[report["tape"]["file_name"]] = report["health"]["clipped_percent"]
    for r in rows: r["told"] = {k: told[r["file"]].get(k) for k in ("value", "low", "high")}
    json.dump(rows, open(out, "w"), indent=0)
    for low, high in CLASSES:
        own = [r for r in rows if low < r["percent"] <= high]; said = [r for r in own if (r["told"]["value"] or 0) > TOLD]
        inside = sum(r["told"]["low"] <= r["percent"] <= r["told"]["high"] for r in said)
        print(f"truly {max(low, 0)} to {high} %: {len(own)}, told {len(said)}, truth inside {inside}")

if __name__ == "__main__": main(*sys.argv[1:])
