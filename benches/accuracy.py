#!/usr/bin/env python3
"""How far the measures are off, against tapes with exact truth: one table.

usage: benches/accuracy.py PROGRAM OUT.md [NAME=FOLDER ...]     needs: Python 3 only
Makes the demo band's tapes with the program itself and reviews them; reviews every FOLDER of tapes with `<tape>.truth.json`
beside them too. One row a measure, one column a set: median and worst error, how many were asked for and not given, and the
share of the truths that lie inside the stated interval. What is not given is counted, never scored.
"""
import argparse, bisect, glob, json, math, os, statistics, subprocess, sys, tempfile
from pathlib import Path

KIND = {"take": "take", "talk": "talk", "tuning": "tuning", "silence": "quiet"}


class Rows(dict):
    """Measure -> list of (error or None, inside or None)."""

    def add(self, name, measured, truth, error=abs, scale=1.0):
        value = measured.get("value") if isinstance(measured, dict) else measured
        if value is None:
            return self.setdefault(name, []).append((None, None))
        ends = (measured.get("low"), measured.get("high")) if isinstance(measured, dict) else (None, None)
        inside = None if None in ends else ends[0] <= truth <= ends[1]
        self.setdefault(name, []).append((error((value - truth) * scale), inside))

    def right(self, name, told, truth):
        self.setdefault(name, []).append((None if told is None else float(told != truth), None))


def overlap(a, b):
    return max(0.0, min(a[1], b[1]) - max(a[0], b[0]))


def passages(rows, report, truth):
    """Every tenth of a second that is not within half a second of a true boundary."""
    spans = [(KIND[s["kind"]], s["start"], s["end"]) for s in truth["segments"]]
    edges = sorted(t for _, a, b in spans for t in (a, b))
    found, starts = report["passages"], [p["start_s"] for p in report["passages"]]
    right = total = 0
    for step in range(5, int(10 * (truth["duration"] - 1))):
        t = step / 10
        near = bisect.bisect_left(edges, t - 0.5)
        kind = next((k for k, a, b in spans if a <= t < b), None)
        if kind is None or (near < len(edges) and edges[near] <= t + 0.5):
            continue
        total += 1
        right += found[max(0, bisect.bisect_right(starts, t) - 1)]["kind"] == kind
    rows.setdefault("passages: share of the time told wrong, %", []).append((100 * (1 - right / total), None))


def beats(rows, name, truth, found):
    hits, at = 0, 0
    for t in found:
        while at < len(truth) and truth[at] < t - 0.07:
            at += 1
        if at < len(truth) and abs(truth[at] - t) <= 0.07:
            hits, at = hits + 1, at + 1
    rows.setdefault(name, []).append((100 * (1 - 2 * hits / (len(truth) + len(found))) if found else None, None))


def line(ys):
    """Intercept and slope of the straight line through ys over 0, 1, 2 ..."""
    n = len(ys)
    mean_x, mean_y = (n - 1) / 2, statistics.fmean(ys)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in enumerate(ys)) / sum((x - mean_x) ** 2 for x in range(n))
    return mean_y - slope * mean_x, slope


def take(rows, curves, found, truth, tape):
    times = [b[0] for b in truth["beats"]]
    inside = lambda ts: [t for t in ts if times[0] - 0.1 <= t <= times[-1] + 0.1]
    tempo, feel = found["tempo"], found["feel"]
    beats(rows, "beats: 100 less F (70 ms)", times, inside(tempo["beat_times_s"]))
    firsts = [t for t, k in zip(tempo["beat_times_s"], tempo["beat_in_bar"]) if k == 1]
    beats(rows, "bars: 100 less F (70 ms)", [b[0] for b in truth["beats"] if b[1] == 1], inside(firsts))
    gaps = [b - a for a, b in zip(times, times[1:])]
    bpm = 60 / statistics.median(gaps)
    rows.add("tempo, %", tempo["bpm"], bpm, scale=100 / bpm)
    at_start, slope = line([60 / g for g in gaps])
    rows.add("drift over a take, points", tempo["drift_percent"], 100 * slope * (len(gaps) - 1) / at_start)
    if not truth["rock"]:
        rows.add("swing ratio", feel["swing_ratio"], truth["swing"])
    hat = feel["hat_on_2_and_4_percent"]["value"]
    rows.right("hi-hat on 2 and 4: told wrong", None if hat is None else hat >= 50, truth["hat"])
    rows.right("heavy backbeat: told wrong", feel["backbeat_heavy"]["value"], truth["rock"])
    rows.add("bass against drums, ms", feel["bass_to_drums_ms"], truth["bass_lag_ms"])
    for player in ("bass", "guitar"):
        notes = sorted((n["cents"], n["d"]) for n in tape["notes"].get(player, []) if truth["start"] <= n["t"] < truth["end"])
        if notes:
            half, run = sum(d for _, d in notes) / 2, 0.0
            for cents, length in notes:
                run += length
                if run >= half:
                    break
            rows.add(f"{player} against A = 440 Hz, cents", found["tuning"][player]["offset_from_a440_cents"], cents)
    layers(rows, curves, truth)


def layers(rows, curves, truth):
    for layer in ("bass", "drums", "comping", "horns"):
        true, heard = [], []
        for part in truth["sections"]:
            level = part["layer_lufs"].get(layer)
            if level is None or not math.isfinite(level) or level < part["lufs"] - 16:
                continue
            first, end = int(part["start"] / curves["hop_s"]), int(part["end"] / curves["hop_s"])
            given = [x for x in curves["layers_lufs"][layer][first:end] if x is not None]
            if len(given) < 0.5 * (end - first):
                rows.setdefault(f"loudness of the {layer} in a part, LU", []).append((None, None))
                continue
            true.append(level)
            heard.append(10 * math.log10(statistics.fmean(10 ** (x / 10) for x in given)))
        for h, t in zip(heard, true):
            rows.add(f"loudness of the {layer} in a part, LU", h, t)
        for k in range(1, len(true)):
            rows.add(f"change of the {layer} from part to part, LU", heard[k] - heard[k - 1], true[k] - true[k - 1])


def strings(rows, report, truth):
    for segment in truth["segments"]:
        if segment["kind"] != "tuning":
            continue
        last = {n["key"]: n["cents"] for n in truth["notes"][segment["player"]] if segment["start"] <= n["t"] < segment["end"]}
        span = (segment["start"], segment["end"])
        near = [p for p in report["passages"] if p["kind"] == "tuning" and overlap((p["start_s"], p["end_s"]), span) > 0.4 * (span[1] - span[0])]
        heard = {s["string_midi"]: s["offset_from_a440_cents"] for s in (near[0]["strings"] if near else [])}
        for key, cents in last.items():
            rows.add(f"open strings of the {segment['player']}, cents", heard.get(key, {"value": None}), cents)


def drift(rows, report, truth):
    if any("retune" in t for t in truth["tuning"].values()):
        return
    for player in ("bass", "guitar"):
        notes = [(n["t"] / 60, n["cents"]) for n in truth["notes"].get(player, []) for k in truth["takes"] if k["start"] <= n["t"] < k["end"]]
        if len(notes) > 2:
            mean_x, mean_y = statistics.fmean(x for x, _ in notes), statistics.fmean(y for _, y in notes)
            slope = sum((x - mean_x) * (y - mean_y) for x, y in notes) / sum((x - mean_x) ** 2 for x, _ in notes)
            rows.add(f"drift of the {player}, cents a minute", report["tuning"]["instruments"][player]["drift_cents_per_min"], slope)


def measured(program, tapes):
    rows = Rows()
    with tempfile.TemporaryDirectory() as out:
        subprocess.run([program, "review", tapes, "--out", out], stderr=subprocess.DEVNULL)
        reports = {}
        for path in glob.glob(f"{glob.escape(out)}/*/report.json"):
            report = json.loads(Path(path).read_text())
            curves = json.loads((Path(path).parent / "curves.json").read_text())
            reports[Path(report["tape"]["file_name"]).stem] = (report, curves)
    count = 0
    for path in sorted(Path(tapes).glob("*.truth.json")):
        truth = json.loads(path.read_text())
        if truth["name"] not in reports:
            rows.setdefault("tapes without a report", []).append((1.0, None))
            continue
        count += 1
        report, curves = reports[truth["name"]]
        passages(rows, report, truth)
        rows.right("gain riding: told wrong", report["health"]["gain_riding"]["value"] is True, truth["agc"])
        rows.right("clipping: told wrong", (report["health"]["clipped_percent"]["value"] or 0) > 0.001, truth["clipped"])
        rows.right("number of takes: told wrong", len(report["takes"]), len(truth["takes"]))
        for true in truth["takes"]:
            found = max(report["takes"], key=lambda t: overlap((t["start_s"], t["end_s"]), (true["start"], true["end"])), default=None)
            if found and overlap((found["start_s"], found["end_s"]), (true["start"], true["end"])) > 0.5 * (true["end"] - true["start"]):
                take(rows, curves, found, true, truth)
        strings(rows, report, truth)
        drift(rows, report, truth)
    return rows, count


def cell(values):
    errors = [e for e, _ in values if e is not None]
    inside = [i for _, i in values if i is not None]
    if not errors:
        return f"none given of {len(values)}"
    text = f"{statistics.median(errors):.2f} / {max(errors):.2f}, n {len(errors)}"
    text += f" of {len(values)}" if len(errors) < len(values) else ""
    return text + (f", inside {100 * sum(inside) / len(inside):.0f} %" if inside else "")


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("program"), ask.add_argument("result"), ask.add_argument("sets", nargs="*")
    args = ask.parse_args()
    with tempfile.TemporaryDirectory() as work:
        subprocess.run([args.program, "demo", f"{work}/band", "--out", f"{work}/reports"], check=True, stderr=subprocess.DEVNULL)
        sets = {"demo band": f"{work}/band"} | dict(s.split("=", 1) for s in args.sets)
        results = {name: measured(args.program, folder) for name, folder in sets.items()}
    names = list(dict.fromkeys(n for rows, _ in results.values() for n in rows))
    out = ["# How far the measures are off", "",
           "Made by `benches/accuracy.py`; not edited. Each cell: median / worst error, how many were given (of how many asked for), and the share of",
           "the truths inside the stated 95 % interval. Yes-or-no rows count 1 for a wrong answer.", "",
           "| measure | " + " | ".join(f"{name} ({count} tapes)" for name, (_, count) in results.items()) + " |",
           "|---|" + "---|" * len(results)]
    for name in names:
        out.append(f"| {name} | " + " | ".join(cell(rows[name]) if name in rows else "-" for rows, _ in results.values()) + " |")
    Path(args.result).write_text("\n".join(out) + "\n")
    print("\n".join(out))


main()
