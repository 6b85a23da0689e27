#!/usr/bin/env python3
"""Mutated audio files through the whole program: decoding, every meter, every picture, the season.

usage: benches/fuzz/mutate.py PROGRAM SEEDS OUT.json [--count 20000] [--seed 1] [--batch 100]     needs: Python 3 only (Linux)
SEEDS is the tape folder that benches/fuzz/seeds.sh makes. Files are mutated in batches; each batch is one `review`. A batch
counts as sound when the program ends with 0 or 1 in time, names every file that it could not measure, and nothing of ours
broke down. Anything else is run again file by file, and the file is kept beside OUT.json.
"""
import argparse, json, os, random, shutil, struct, subprocess, tempfile, time
from pathlib import Path

LONGEST_S, MOST_MIB = 30.0, 500.0
NUMBERS = [0, 1, 2, 7, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 2**24, 2**31 - 1, 2**31, 2**32 - 1]


def mutated(data, other, rng):
    data = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 3, 6, 12])):
        if not data:
            break
        # Headers are where the decisions are: half of the changes fall into the first 512 bytes.
        top = min(len(data), 512) if rng.random() < 0.5 else len(data)
        at = rng.randrange(top)
        kind = rng.randrange(10)
        if kind == 0:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at] = rng.randrange(256)
        elif kind == 2:
            form = rng.choice(["<H", ">H", "<I", ">I", "<Q", ">Q"])
            number = rng.choice(NUMBERS) & ((1 << 8 * struct.calcsize(form)) - 1)
            data[at:at + struct.calcsize(form)] = struct.pack(form, number)
        elif kind == 3:
            del data[at:at + rng.choice([1, 2, 4, 16, 100, 1000])]
        elif kind == 4:
            stretch = data[at:at + rng.choice([1, 4, 16, 100, 1000])]
            data[at:at] = stretch * rng.choice([1, 2, 50])
        elif kind == 5:
            data[at:] = b""
        elif kind == 6:
            length = rng.choice([4, 64, 1000])
            data[at:at + length] = bytes(rng.randrange(256) for _ in range(min(length, len(data) - at)))
        elif kind == 7:
            length = rng.choice([8, 200, 4000])
            data[at:at + length] = b"\0" * min(length, len(data) - at)
        elif kind == 8 and other:
            begin = rng.randrange(len(other))
            data[at:at + 400] = other[begin:begin + 400]
        elif kind == 9:
            length = rng.choice([4, 8, 32])
            to = rng.randrange(top)
            a, b = bytes(data[at:at + length]), bytes(data[to:to + length])
            data[at:at + length], data[to:to + length] = b, a
    return bytes(data[:400_000])


def review(program, folder):
    out = tempfile.mkdtemp(dir=folder.parent)
    log = open(folder.parent / "log", "wb")
    start = time.time()
    files = len(list(folder.iterdir()))
    child = subprocess.Popen([program, "review", folder, "--out", out], stdout=subprocess.DEVNULL, stderr=log)
    limit = LONGEST_S * files if files == 1 else max(LONGEST_S, 3.0 * files)
    late = False
    while True:
        pid, status, used = os.wait4(child.pid, os.WNOHANG)
        if pid:
            break
        if time.time() - start > limit:
            child.kill()
            _, status, used = os.wait4(child.pid, 0)
            late = True
            break
        time.sleep(0.02)
    log.close()
    text = (folder.parent / "log").read_text(errors="replace")
    reports = len(list(Path(out).glob("*/report.json")))
    shutil.rmtree(out)
    return {"exit": os.waitstatus_to_exitcode(status), "late": late, "wall_s": time.time() - start, "peak_mib": used.ru_maxrss / 1024,
            "broke_down": text.count("broke down"), "panicked": text.count("panicked at"), "reports": reports,
            "gave_up": text.count("the decoder gave up")}


def bad(run):
    return run["late"] or run["exit"] not in (0, 1, 2) or run["broke_down"] or run["panicked"] or run["peak_mib"] > MOST_MIB


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("program"), ask.add_argument("seeds"), ask.add_argument("result")
    ask.add_argument("--count", type=int, default=20000), ask.add_argument("--seed", type=int, default=1), ask.add_argument("--batch", type=int, default=100)
    args = ask.parse_args()
    rng = random.Random(args.seed)
    seeds = [(p.suffix, p.read_bytes()) for p in sorted(Path(args.seeds).iterdir())]
    total = {"files": 0, "reports": 0, "not_measured": 0, "decoder_panics_contained": 0, "slowest_batch_s_a_file": 0.0, "largest_peak_mib": 0.0, "found": []}
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
    while total["files"] < args.count:
        with tempfile.TemporaryDirectory(dir=memory) as work:
            folder = Path(work) / "tapes"
            folder.mkdir()
            for number in range(min(args.batch, args.count - total["files"])):
                suffix, data = rng.choice(seeds)
                (folder / f"2026-02-{number % 28 + 1:02d}-{number}{suffix}").write_bytes(mutated(data, rng.choice(seeds)[1], rng))
            files = sorted(folder.iterdir())
            run = review(args.program, folder)
            total["files"] += len(files)
            total["reports"] += run["reports"]
            total["not_measured"] += len(files) - run["reports"]
            total["decoder_panics_contained"] += run["gave_up"]
            total["slowest_batch_s_a_file"] = max(total["slowest_batch_s_a_file"], round(run["wall_s"] / len(files), 3))
            total["largest_peak_mib"] = max(total["largest_peak_mib"], round(run["peak_mib"], 1))
            if bad(run):
                for file in files:
                    alone = Path(work) / "alone"
                    shutil.rmtree(alone, ignore_errors=True)
                    alone.mkdir()
                    shutil.copy(file, alone)
                    single = review(args.program, alone)
                    if bad(single):
                        kept = Path(args.result).with_suffix("") / f"{total['files']}-{file.name}"
                        kept.parent.mkdir(exist_ok=True)
                        shutil.copy(file, kept)
                        total["found"].append({"file": kept.name} | {k: v for k, v in single.items() if v})
                else:
                    total["found"].append({"batch_until": total["files"]} | {k: v for k, v in run.items() if v})
        Path(args.result).write_text(json.dumps(total, indent=1) + "\n")
    print(json.dumps(total, indent=1))


main()
