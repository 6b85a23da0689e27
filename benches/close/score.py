#!/usr/bin/env python3
"""Scores a review of the mixes of `mixes.py` against their truth, and writes the raw results.
usage: score.py PROGRAM MIXES OUT.json
Each folder of MIXES is reviewed by itself; the room's report is compared: bass tuning (cents), bass against drums (ms, by the sound
of the dry stems and the way through the air to the room's recorder), level of each layer in each part (dB)."""
import glob, json, os, subprocess, sys, tempfile
import numpy as np


def weighted_median(pairs):
    pairs = sorted(pairs); total = sum(w for _, w in pairs); run = 0
    for value, weight in pairs:
        run += weight
        if run >= total / 2: return value


def number(text):
    return json.loads(text.replace("-Infinity", "null").replace("NaN", "null"))


def lufs(powers, start_s, end_s):
    """Integrated loudness (BS.1770-5) of a span, from K-weighted mean squares of tenths of a second; None for silence."""
    tenths = np.array(powers[round(10 * start_s):round(10 * end_s)])
    if len(tenths) < 4: return None
    blocks = np.convolve(tenths, np.ones(4) / 4, "valid"); blocks = blocks[blocks > 10 ** (-7 + .0691)]
    blocks = blocks[blocks > blocks.mean() / 10] if len(blocks) else blocks
    return -.691 + 10 * np.log10(blocks.mean()) if len(blocks) else None


program, mixes, out = sys.argv[1:4]
rows = []
for folder in sorted(glob.glob(mixes + "/*/truth.json"), key=lambda p: (len(p), p)):
    folder = os.path.dirname(folder); truth = number(open(folder + "/truth.json").read())
    with tempfile.TemporaryDirectory() as reports:
        subprocess.run([program, "review", "--out", reports, folder], check=True, capture_output=True)
        found = [p for p in glob.glob(reports + "/*/report.json") if json.load(open(p))["tape"]["file_name"] == truth["files"]["room"]]
        report = json.load(open(found[0]))
    if not report["takes"]: rows.append(dict(name=truth["name"], missing="take")); continue
    take = max(report["takes"], key=lambda t: t["end_s"] - t["start_s"])
    notes = [n for n in truth["notes"]["bass"] if n["t"] >= truth["take"][0]]  # without the open strings before it
    cents = weighted_median([(n["cents"], n["d"]) for n in notes])
    sounding = weighted_median([(n["sounds"], n["d"]) for n in notes if n.get("sounds") is not None])
    bass, lag = take["tuning"]["bass"]["offset_from_a440_cents"], take["feel"]["bass_to_drums_ms"]
    want = truth["sound_lag_ms"] + truth["travel_ms"]
    row = dict(name=truth["name"], bass=truth["bass"], spill_db={k: round(v["spill_db"], 1) for k, v in truth["spill"].items()},
               tuning=dict(bass, truth=round(cents, 2), sounding=sounding and round(sounding, 2)), bass_to_drums_ms=dict(lag, truth=round(want, 2)), close=take.get("close"), levels=[])
    for part in take["parts"]:
        # Parts are found, not told: named after the true one that covers most of it, and their truth is that of the span as found.
        cover = lambda s: min(part["end_s"], s["end"]) - max(part["start_s"], s["start"])
        best = max(truth["parts"], key=cover)
        if cover(best) < .9 * (best["end"] - best["start"]) or cover(best) < .8 * (part["end_s"] - part["start_s"]): continue
        for layer in part.get("layers_from_close", []):
            got, true = part["layers_lufs"][layer], lufs(truth["layer_powers"].get(layer, []), part["start_s"], part["end_s"])
            row["levels"].append(dict(part=best["label"], layer=layer, value=got["value"], low=got.get("low"), high=got.get("high"), truth=true and round(true, 2), re_band=part["layers_re_band_lu"][layer]["value"]))
    rows.append(row)
json.dump(rows, open(out, "w"), indent=1)
off = lambda m: None if m.get("value") is None else m["value"] - m["truth"]
inside = lambda m: m["low"] <= m["truth"] <= m["high"]
def line(name, items):
    told = [m for m in items if m.get("value") is not None and m.get("truth") is not None]
    e = np.abs([off(m) for m in told])
    if len(e): print(f"{name}: n {len(items)} told {len(told)} median {np.median(e):.2f} worst {e.max():.2f} within 0.5: {np.mean(e <= .5):.0%} within 1: {np.mean(e <= 1):.0%} within 2: {np.mean(e <= 2):.0%} inside {sum(map(inside, told))}/{len(told)}")
rows = [r for r in rows if "levels" in r]
line("bass tuning, cents", [r["tuning"] for r in rows]); line("bass to drums, ms", [r["bass_to_drums_ms"] for r in rows])
for layer in ("bass", "drums", "comping"): line(layer + ", dB", [l for r in rows for l in r["levels"] if l["layer"] == layer])
