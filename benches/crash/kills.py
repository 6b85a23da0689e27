#!/usr/bin/env python3
"""Kills reviews at random moments and looks whether anything was lost.

usage: benches/crash/kills.py PROGRAM TAPES OUT.json [--kills 200] [--seed 1]     needs: Python 3 only (Linux)
Undisturbed run first: its out folder is the truth. Then, `kills` times: `review` of the same tapes into the out folder that the
last kill left, ended by SIGKILL after a random part of an undisturbed run's time (half of the rounds begin from an empty out
folder). After each kill every report folder with a plain name must be whole (byte for byte as in the truth) or absent, and
season.json, when it is there, must be whole. At the end of each chain one run is left alone and must equal the truth byte for
byte, nothing more and nothing less. Then the other cases: full disk, read-only out folder, a second run at the same time, a
tape that changes while it is read. (The first two need to be root, for the small file systems.)
"""
import argparse, hashlib, itertools, json, os, random, shutil, signal, subprocess, sys, tempfile, time
from pathlib import Path


def tree(folder):
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(Path(folder).rglob("*")) if p.is_file() and p.name != ".ledgerline.lock"}


def review(program, tapes, out, **more):
    return subprocess.run([program, "review", tapes, "--out", out], capture_output=True, text=True, **more)


def faults(out, truth, unnamed):
    """What is wrong with the out folder right after a kill."""
    found, wrong = tree(out), []
    folders = {name.split("/")[0] for name in found if "/" in name and not name.startswith(".")}
    for folder in folders:
        whole = {n: h for n, h in truth.items() if n.startswith(folder + "/")}
        here = {n: h for n, h in found.items() if n.startswith(folder + "/") and not n.endswith(".part")}
        # The players' sheets follow with the season, and so do the charts' names on two pictures; each is whole or absent.
        late = {n for n in set(whole) - set(here) if "/player_" in n}
        late |= {n for n in here if n.endswith(("/page.png", "/loudness.png")) and here[n] in unnamed.get(n, ())}
        if {n: h for n, h in whole.items() if n not in late} != {n: h for n, h in here.items() if n not in late}:
            wrong.append(f"{folder}: not whole")
    if "season.json" in found:
        try:
            json.loads((Path(out) / "season.json").read_text())
        except ValueError:
            wrong.append("season.json: not whole")
    return wrong


def pages_on_the_way(program, tapes, work):
    """The two pictures that carry the charts' names, as every part of the tapes would have them: name -> hashes."""
    found, names = {}, sorted(os.listdir(tapes))
    for count in range(1, len(names)):
        for some in itertools.combinations(names, count):
            part, out = work / "part", work / "part-out"
            part.mkdir()
            for name in some:
                shutil.copy2(Path(tapes) / name, part / name)
            review(program, part, out)
            for name, mark in tree(out).items():
                if name.endswith(("/page.png", "/loudness.png")):
                    found.setdefault(name, set()).add(mark)
            shutil.rmtree(part), shutil.rmtree(out)
    return found


def kills(program, tapes, work, count, rng, unnamed):
    out = work / "truth"
    start = time.time()
    assert review(program, tapes, out).returncode == 0
    whole_s, truth = time.time() - start, tree(out)
    result = {"kills": 0, "folders_lost_or_broken": [], "unlike_undisturbed": [], "landed_in": {"before_any_folder": 0, "between": 0, "all_there": 0}}
    while result["kills"] < count:
        out = work / f"chain{result['kills']}"
        for _ in range(min(rng.randint(1, 4), count - result["kills"])):
            before = {n.split("/")[0] for n in tree(out)} if out.exists() else set()
            child = subprocess.Popen([program, "review", tapes, "--out", out], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            time.sleep(rng.uniform(0, whole_s))
            child.send_signal(signal.SIGKILL)
            child.wait()
            result["kills"] += 1
            out.mkdir(exist_ok=True)
            result["folders_lost_or_broken"] += faults(out, truth, unnamed)
            after = {n.split("/")[0] for n in tree(out) if "/" in n and not n.startswith(".")}
            lost = {b for b in before if not b.startswith(".") and b in {t.split("/")[0] for t in truth if "/" in t}} - after
            # A folder that is being replaced may stand aside under its hidden name; the next run puts it back.
            lost = {name for name in lost if not (out / f".old-{name}").is_dir()}
            result["folders_lost_or_broken"] += [f"{name}: lost" for name in lost]
            all_folders = {t.split("/")[0] for t in truth if "/" in t}
            result["landed_in"]["before_any_folder" if not after else "all_there" if after == all_folders else "between"] += 1
        last = review(program, tapes, out)
        if last.returncode != 0 or tree(out) != truth:
            result["unlike_undisturbed"].append({"after_kills": result["kills"], "exit": last.returncode,
                                                 "differs": sorted(set(tree(out).items()) ^ set(truth.items()))[:6]})
        shutil.rmtree(out)
    result["undisturbed_run_s"] = round(whole_s, 2)
    return result, truth


def full_disk(program, tapes, work, truth, unnamed):
    small = work / "small"
    small.mkdir()
    rows = []
    for kib in (64, 300, 700, 1200):
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", small], check=True)
        ended = review(program, tapes, small / "out")
        rows.append({"size_kib": kib, "exit": ended.returncode, "message": [l.replace(str(work), "…") for l in ended.stderr.strip().splitlines()][:3],
                     "faults": faults(small / "out", truth, unnamed) if (small / "out").exists() else []})
        subprocess.run(["umount", small], check=True)
    return rows


def read_only(program, tapes, work):
    folder = work / "ro"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", folder], check=True)
    ended = review(program, tapes, folder / "out")
    subprocess.run(["umount", folder], check=True)
    return {"exit": ended.returncode, "message": ended.stderr.strip().replace(str(work), "…").splitlines()[:3]}


def two_runs(program, tapes, work, truth):
    out = work / "two"
    first = subprocess.Popen([program, "review", tapes, "--out", out], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    # As soon as the first run holds the folder.
    while not (out / ".ledgerline.lock").exists() and first.poll() is None:
        time.sleep(0.002)
    second = review(program, tapes, out)
    return {"second_exit": second.returncode, "second_message": second.stderr.strip().replace(str(work), "…").splitlines()[:3],
            "first_exit": first.wait(), "like_undisturbed": tree(out) == truth}


def changing_tape(program, tapes, work):
    folder = work / "changing"
    folder.mkdir()
    source = sorted(p for p in Path(tapes).iterdir() if p.suffix == ".wav")[0]
    shutil.copy(source, folder / "growing.wav")
    child = subprocess.Popen([program, "review", folder, "--out", work / "changed"], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    while child.poll() is None:
        with open(folder / "growing.wav", "ab") as file:
            file.write(b"\0" * 4096)
        time.sleep(0.02)
    return {"exit": child.returncode, "message": [l.replace(str(work), "…") for l in child.stderr.read().splitlines() if "changed while" in l or "hint" in l],
            "reports": sorted({n.split("/")[0] for n in tree(work / "changed") if n.endswith("report.json")})}


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("program"), ask.add_argument("tapes"), ask.add_argument("result")
    ask.add_argument("--kills", type=int, default=200), ask.add_argument("--seed", type=int, default=1)
    args = ask.parse_args()
    rng = random.Random(args.seed)
    with tempfile.TemporaryDirectory() as work:
        work = Path(work)
        unnamed = pages_on_the_way(args.program, args.tapes, work)
        killed, truth = kills(args.program, args.tapes, work, args.kills, rng, unnamed)
        result = {"kills": killed, "two_runs_at_once": two_runs(args.program, args.tapes, work, truth),
                  "changing_tape": changing_tape(args.program, args.tapes, work)}
        if os.geteuid() == 0:
            result["full_disk"] = full_disk(args.program, args.tapes, work, truth, unnamed)
            result["read_only"] = read_only(args.program, args.tapes, work)
    Path(args.result).write_text(json.dumps(result, indent=1, ensure_ascii=False) + "\n")
    print(json.dumps(result, indent=1, ensure_ascii=False))
    bad = killed["folders_lost_or_broken"] or killed["unlike_undisturbed"]
    sys.exit(1 if bad else 0)


main()
