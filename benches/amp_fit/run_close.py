#!/usr/bin/env python3
"""Advice for mid and high controls on the recordings of `render_close.py`.

usage: run_close.py LEDGERLINE FOLDER OUT.json
Learns a target from FOLDER/target/PLAYER-i.wav, reviews FOLDER/tape/PLAYER-i-*.wav against it, and prints how far the advice
lies from the filter that was put in (advice = minus the filter).
"""
import glob, json, os, shutil, subprocess, sys, tempfile
import numpy as np


def main():
    program, folder, out = sys.argv[1:4]
    truth = json.load(open(f"{folder}/truth.json"))
    rows = []
    for player in ("bass", "guitar"):
        for pair in sorted({t["pair"] for t in truth}):
            with tempfile.TemporaryDirectory() as tmp:
                name = f"{player}-{pair:02}"
                subprocess.run([program, "reference", f"{folder}/target/{name}.wav", "--name", "close", "--close-to", player, "--into", tmp], check=True, capture_output=True)
                of = [t for t in truth if t["player"] == player and t["pair"] == pair]
                os.mkdir(f"{tmp}/tapes")
                with open(f"{tmp}/tapes/band.toml", "w") as sheet:
                    for n, t in enumerate(of):
                        # A date each: they are no recordings of one evening.
                        t["as"] = f"2026-03-{n + 1:02}_{t['file']}"
                        shutil.copy(f"{folder}/tape/{t['file']}", f"{tmp}/tapes/{t['as']}")
                        sheet.write(f'[[recording]]\nfile = "{t["as"]}"\nclose_to = "{player}"\n')
                subprocess.run([program, "review", f"{tmp}/tapes", "--out", f"{tmp}/out", "--close-target", f"{tmp}/close.json"], check=True, capture_output=True)
                for r in (json.load(open(p)) for p in glob.glob(f"{tmp}/out/*/report.json")):
                    t = next(t for t in of if t["as"] == r["tape"]["file_name"])
                    own = {a["control"]: a["change_db"] for a in r["amp_advice"] if a["instrument"] == player}
                    rows.append(dict(t, mid=own["mid"], high=own["high"], low=own["low"]))
    json.dump(rows, open(out, "w"))
    for player in ("bass", "guitar"):
        for control in ("mid", "high"):
            of = [r for r in rows if r["player"] == player]
            turned = [r for r in of if r[control + "_db"]]
            e = [abs((r[control].get("value") or 0) + r[control + "_db"]) for r in turned]
            still = [abs(r[control].get("value") or 0) for r in of if not r[control + "_db"]]
            wrong = sum((r[control].get("value") or 0) * r[control + "_db"] > 0 for r in turned)
            said = [r for r in of if r[control].get("value") is not None]
            inside = sum(r[control]["low"] <= -r[control + "_db"] <= r[control]["high"] for r in said)
            print(f"{player} {control}: {len(turned)} turned, median {np.median(e):.1f} worst {max(e):.1f} dB off, {sum(x <= 2 for x in e)} within 2 dB, {wrong} wrong sign, {sum(r[control].get('value') is not None for r in turned)} told; {len(still)} not turned, told {sum(x > 0 for x in still)}, worst {max(still):.1f}; truth inside {inside} of {len(said)}")


if __name__ == "__main__":
    main()
