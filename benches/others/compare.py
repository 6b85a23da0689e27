#!/usr/bin/env python3
"""The whole review beside general-purpose libraries doing the nearest equivalent, on the same files, in one run.

usage: benches/others/compare.py PROGRAM OUT.json TAPE [TAPE ...] [--rounds N]
needs: pip install -r benches/others/requirements.txt     (Linux; ffmpeg is not needed)
Every job is a process of its own: wall time, processor time and the kernel's high-water mark of its memory. The jobs of a tape
run one after the other, nothing beside them. The libraries measure less than the review does: no passages, no layers, no
pictures; each job says what it computes.
"""
import argparse, json, os, resource, subprocess, sys, tempfile, time
from pathlib import Path

JOBS = {
    # Loudness, two STFTs, tuning, beats, harmonic and percussive parts: what the review's meters begin with.
    "python music analysis and loudness": """
import sys, librosa, numpy, soundfile, pyloudnorm
x, rate = soundfile.read(sys.argv[1], dtype='float32', always_2d=True)
pyloudnorm.Meter(rate).integrated_loudness(x)
mono = x.mean(axis=1)
for length in (4096, 16384):
    numpy.abs(librosa.stft(mono, n_fft=length, hop_length=length // 4)).mean()
librosa.estimate_tuning(y=mono, sr=rate)
librosa.beat.beat_track(y=mono, sr=rate)
librosa.effects.hpss(mono)
""",
    # Its descriptors of loudness, spectrum, rhythm and tonality.
    "c++ music extractor": """
import sys, essentia, essentia.standard as standard
essentia.log.infoActive = False
standard.MusicExtractor(lowlevelStats=['mean'], rhythmStats=['mean'], tonalStats=['mean'])(sys.argv[1])
""",
}


def timed(command):
    start = time.time()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    return {"exit": os.waitstatus_to_exitcode(status), "wall_s": round(time.time() - start, 3),
            "cpu_s": round(used.ru_utime + used.ru_stime, 3), "peak_mib": round(used.ru_maxrss / 1024, 1)}


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("program"), ask.add_argument("result"), ask.add_argument("tapes", nargs="+")
    ask.add_argument("--rounds", type=int, default=1)
    args = ask.parse_args()
    rows = []
    for tape in args.tapes:
        for number in range(args.rounds):
            with tempfile.TemporaryDirectory() as out:
                row = {"tape": Path(tape).name, "round": number, "review": timed([args.program, "review", tape, "--out", out])}
            for name, script in JOBS.items():
                row[name] = timed([sys.executable, "-c", script, tape])
                row[name]["times_the_review"] = round(row[name]["wall_s"] / row["review"]["wall_s"], 1)
            rows.append(row)
            print(json.dumps(row, indent=1))
    versions = subprocess.run([sys.executable, "-m", "pip", "list", "--format=json"], capture_output=True, text=True).stdout
    wanted = {"librosa", "numpy", "scipy", "pyloudnorm", "essentia", "soundfile"}
    kept = {p["name"]: p["version"] for p in json.loads(versions or "[]") if p["name"].lower() in wanted}
    Path(args.result).write_text(json.dumps({"cores": os.cpu_count(), "versions": kept, "runs": rows}, indent=1) + "\n")


main()
