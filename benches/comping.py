#!/usr/bin/env python3
"""Hits of guitar and keys in a bar, reports against rendered tapes with known notes.

usage: comping.py NAME=TAPES,REPORTS ...    TAPES: folder of *.truth.json; REPORTS: what `review` made of them
Truth: moments at which guitar or piano begin to play (notes within 30 ms are one hit; what both play within 50 ms counts once) over the bars of
the take. needs: numpy
"""
import glob, json, sys
import numpy as np


def hits(truth, take, player):
    found = []
    for t in sorted(n["t"] for n in truth["notes"].get(player, []) if take["start"] - .05 <= n["t"] < take["end"]):
        if not found or t - found[-1] > .03: found.append(t)
    return found


def pairs(tapes, reports):
    """name, hits a bar in truth, the report's take"""
    kept = {g: json.load(open(g)) for g in glob.glob(reports + "/*/report.json")}
    for f in sorted(glob.glob(tapes + "/*.truth.json")):
        truth = json.load(open(f)); report = next((r for r in kept.values() if r["tape"]["file_name"].startswith(truth["name"])), None)
        if report is None: print("no report:", truth["name"]); continue
        for take in truth["takes"]:
            same = [t for t in report["takes"] if min(t["end_s"], take["end"]) - max(t["start_s"], take["start"]) > .5 * (take["end"] - take["start"])]
            guitar, piano = hits(truth, take, "guitar"), hits(truth, take, "piano"); bars = sum(b[1] == 1 for b in take["beats"])
            either = len(guitar) + sum(not any(abs(p - g) < .05 for g in guitar) for p in piano)
            if same: yield truth["name"], either / bars, same[0]["feel"]["comping_onsets_per_bar"]


print("| tapes | takes told | hits a bar off, mean / worst | truth differs by (standard deviation) | truth inside | half-width, mean |\n| --- | --- | --- | --- | --- | --- |")
for arg in sys.argv[1:]:
    name, folders = arg.split("="); rows = list(pairs(*folders.split(",")))
    told = [(truth, m) for _, truth, m in rows if m["value"] is not None]
    off = np.array([abs(m["value"] - truth) for truth, m in told]); inside = sum(m["low"] <= truth <= m["high"] for truth, m in told)
    print(f"| {name} | {len(told)} of {len(rows)} | {off.mean():.2f} / {off.max():.2f} | {np.std([t for t, _ in told]):.2f} | {inside} of {len(told)} | {np.mean([(m['high'] - m['low']) / 2 for _, m in told]):.1f} |")
