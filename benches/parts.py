#!/usr/bin/env python3
"""Parts, forms, silent layers and intervals of the layers against truth-labelled tapes, one table.

usage: parts.py [--rows] [--json OUT] NAME=TAPES=REPORTS ...

TAPES holds NAME.truth.json beside each tape (takes with beats and sections; a section may list its `chords`, one a bar),
REPORTS is the out folder of one `ledgerline review TAPES`. --rows prints every miss.

parts    a boundary counts where who plays changes, or a layer by more than 2 dB, or the section's name; found within 1.5 s
forms    a pair of found parts is truly of one form when over the shorter one (at least 8 bars) nine bars in ten have the same
         chord, counted from both starts; the length of the form is that after which the take's chords return
silent   a layer that does not sound in a section (no stem, or its stem 20 LU under the band) must be null or 12 dB down:
         in parts that lie in such sections, and by the curve over each such section but its first two seconds
levels   truth inside the interval; width is the median half-width. Clipped and gain-riding tapes stand apart
"""
import argparse, collections, glob, json, math, os, statistics

LAYERS = ("bass", "drums", "comping", "horns")
WITHIN_S, CHANGE_DB, SILENT_LU, DOWN_DB = 1.5, 2.0, -20.0, -12.0
BLUES = "I IV I I IV IV I VI ii V I V".split()
A, B = "I IV I I".split(), "I vi ii V".split() * 2
# Forms of the renderer's and the demo band's tapes by their bars, where the truth lists no chords.
FORMS = {12: BLUES, 20: A * 2 + B + A, 16: "I vi ii V I vi ii V IV bVII II V I vi ii V".split()}


def truth_bars(take):
    """(start, chord) of every bar, and the sections' own."""
    downs = [t for t, place in take["beats"] if place == 1]
    bars = []
    for section in take["sections"]:
        inside = [t for t in downs if section["start"] - 0.05 <= t < section["end"] - 0.05]
        chords = section.get("chords") or FORMS.get(len(inside)) or [str(i) for i in range(len(inside))]
        bars += [(t, str(chords[i % len(chords)])) for i, t in enumerate(inside)]
    return bars


def form_bars(take):
    """Bars after which the chords return, where the take has one form at least twice; else None."""
    chords = [c for _, c in truth_bars(take)]
    n = len(chords)
    for period in range(4, n // 2 + 1):
        if all(chords[i] == chords[i + period] for i in range(n - period)):
            return period
    return None


def changes(take):
    out = []
    for x, y in zip(take["sections"], take["sections"][1:]):
        a, b = ({l: v for l, v in z["layer_lufs"].items() if v is not None and v > z["lufs"] + SILENT_LU} for z in (x, y))
        moved = any((l in a) != (l in b) or (l in a and abs(a[l] - b[l]) > CHANGE_DB) for l in set(a) | set(b))
        if moved or x["label"] != y["label"]:
            out.append(y["start"])
    return out


def same_form(bars, p, q):
    seq = [[c for t, c in bars if s["start_s"] - 0.6 <= t < s["end_s"] - 0.6] for s in (p, q)]
    n = min(map(len, seq))
    if n < 8:
        return None
    return sum(a == b for a, b in zip(*seq)) >= 0.9 * n


class Table:
    def __init__(self, rows):
        self.rows, self.count, self.wide = rows, collections.Counter(), collections.defaultdict(list)

    def note(self, *words):
        if self.rows:
            print("  ", *words)


def parts(t, name, take, found):
    ref, est, used = changes(take), [p["start_s"] for p in found[1:]], set()
    for at in est:
        near = [i for i, r in enumerate(ref) if abs(r - at) <= WITHIN_S and i not in used]
        if near:
            used.add(near[0])
        else:
            t.note("part told without a change", name, round(at, 1))
        t.count["tp" if near else "fp"] += 1
    for i, r in enumerate(ref):
        if i not in used:
            t.count["fn"] += 1
            t.note("change not told", name, round(r, 1))


def forms(t, name, take, report_take):
    bars, found = truth_bars(take), report_take["parts"]
    label = {p["label"]: i for i, p in enumerate(found)}
    group = {}
    for i, p in enumerate(found):
        like = p.get("same_form_as")
        group[i] = group[label[like]] if like in label else i
    for i in range(len(found)):
        for k in range(i):
            truth = same_form(bars, found[k], found[i])
            if truth is None:
                continue
            said = group[i] == group[k]
            t.count[("form_tp" if truth else "form_fp") if said else ("form_fn" if truth else "form_tn")] += 1
            if said != truth:
                t.note("form", "said" if said else "not said", name, found[k]["label"], found[i]["label"])
    truth, said = form_bars(take), (report_take.get("form_bars") or {}).get("value")
    kind = ("right" if said == truth else "wrong") if said is not None else ("silent_one" if truth else "rightly_silent")
    if said is not None and truth is None:
        # The take's forms differ or come once: right when the length is that of a form that comes twice.
        lengths = collections.Counter(len(s["chords"]) if "chords" in s else None for s in take["sections"])
        kind = "right" if lengths.get(said, 0) >= 2 else "wrong"
    t.count["length_" + kind] += 1
    if kind in ("wrong", "silent_one"):
        t.note("form length", said, "for", truth, name, (report_take.get("form_bars") or {}).get("reason"))


def plays(section, layer):
    level = section["layer_lufs"].get(layer)
    return level is not None and level > section["lufs"] + SILENT_LU


def layers(t, name, T, take, found):
    group = "clip " if T["clipped"] else "ride " if T["agc"] else ""
    whole = []
    for p in found:
        length = p["end_s"] - p["start_s"]
        inside = [s for s in take["sections"] if min(s["end"], p["end_s"]) - max(s["start"], p["start_s"]) > 0.15 * length
                  or min(s["end"], p["end_s"]) - max(s["start"], p["start_s"]) > 3]
        alone = inside[0] if len(inside) == 1 and length < 1.2 * (inside[0]["end"] - inside[0]["start"]) + 3 else None
        for layer in LAYERS:
            m, r = p["layers_lufs"][layer], p["layers_re_band_lu"][layer]
            if inside and not any(plays(s, layer) for s in inside):
                bad = r["value"] is not None and r["value"] > DOWN_DB
                t.count["silent_bad" if bad else "silent_good"] += 1
                if bad:
                    t.note("silent layer told", name, p["label"], layer, r["value"])
            elif alone and plays(alone, layer):
                whole.append((p, alone, layer, m))
                if m["value"] is None:
                    t.count[group + "level_null"] += 1
                    continue
                truth = alone["layer_lufs"][layer]
                ok = m["low"] <= truth <= m["high"]
                t.count[group + ("level_in" if ok else "level_out")] += 1
                if not group:
                    t.count[f"{layer}_in" if ok else f"{layer}_out"] += 1
                t.wide[group + "level"].append((m["high"] - m["low"]) / 2)
                t.wide[layer].append(abs(m["value"] - truth))
                if not ok and not group:
                    t.note("level outside", name, p["label"], layer, m["value"], "+-", round((m["high"] - m["low"]) / 2, 1),
                           "for", truth, "band", alone["lufs"])
    for p, s, layer, m in whole:
        for q, u, other, n in whole:
            if other == layer and q["start_s"] > p["start_s"] and None not in (m["value"], n["value"]):
                half = ((m["high"] - m["low"]) ** 2 + (n["high"] - n["low"]) ** 2) ** 0.5 / 2
                moved, truth = n["value"] - m["value"], u["layer_lufs"][layer] - s["layer_lufs"][layer]
                t.count[group + ("change_in" if abs(moved - truth) <= half else "change_out")] += 1
                t.wide[group + "change"].append(half)


def silent_curves(t, name, T, take, curves):
    """Curves hold LUFS: null counts as no power."""
    for section in take["sections"]:
        first, last = math.ceil(section["start"]) + 2, math.floor(section["end"])
        for layer in LAYERS:
            if plays(section, layer) or last <= first or T["clipped"] or T["agc"]:
                continue
            told = [10 ** (v / 10) for v in curves["layers_lufs"][layer][first:last] if v is not None]
            down = 10 * math.log10(max(sum(told) / (last - first), 1e-12)) - section["lufs"]
            t.count["curve_bad" if down > DOWN_DB else "curve_good"] += 1
            if down > DOWN_DB:
                t.note("silent layer in the curve", name, section["label"], layer, round(down, 1))


def measure(name, tapes, reports, show):
    known = {}
    for path in glob.glob(reports + "/*/report.json"):
        report = json.load(open(path))
        curves = json.load(open(os.path.join(os.path.dirname(path), "curves.json")))
        known[os.path.splitext(report["tape"]["file_name"])[0]] = (report, curves)
    t = Table(show)
    print(name) if show else None
    for path in sorted(glob.glob(tapes + "/*.truth.json")):
        T = json.load(open(path))
        key = os.path.basename(path)[: -len(".truth.json")]
        if key not in known:
            t.count["no_report"] += 1
            continue
        report, curves = known[key]
        for take in T["takes"]:
            shared = lambda e: min(e["end_s"], take["end"]) - max(e["start_s"], take["start"])
            best = max(report["takes"], key=shared, default=None)
            if best is None or shared(best) < 0.5 * (take["end"] - take["start"]):
                t.count["missed"] += 1
                continue
            t.count["takes"] += 1
            parts(t, T["name"], take, best["parts"])
            forms(t, T["name"], take, best)
            layers(t, T["name"], T, take, best["parts"])
            silent_curves(t, T["name"], T, take, curves)
    return t


def ratio(a, b):
    return f"{a / b:.2f}" if b else "-"


def line(name, t):
    c = t.count
    tp, fp, fn = c["tp"], c["fp"], c["fn"]
    f = ratio(2 * tp, 2 * tp + fp + fn)
    ftp, ffp, ffn = c["form_tp"], c["form_fp"], c["form_fn"]
    inside = lambda k: f"{c[k + '_in']}/{c[k + '_in'] + c[k + '_out']}"
    wide = lambda k: f"{statistics.median(t.wide[k]):.1f}" if t.wide[k] else "-"
    return (f"{name}: takes {c['takes']}; parts F {f} ({tp} found, {fp} too many, {fn} missed); "
            f"same form {ftp} right, {ffp} wrong, {ffn} missed, {c['form_tn']} rightly apart; "
            f"length {c['length_right']} right, {c['length_wrong']} wrong, {c['length_silent_one']} not said, "
            f"{c['length_rightly_silent']} rightly not said; silent {c['silent_good']} good, {c['silent_bad']} bad, by the curve {c['curve_good']} good, {c['curve_bad']} bad; "
            f"levels inside {inside('level')} (half-width {wide('level')} dB, {c['level_null']} null), changes {inside('change')} ({wide('change')} dB)"
            f"; by layer {' '.join(l + ' ' + inside(l) for l in LAYERS)}"
            f"; clipped {inside('clip level')} ({c['clip level_null']} null), riding {inside('ride level')} ({c['ride level_null']} null)")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", action="store_true")
    parser.add_argument("--json")
    parser.add_argument("sets", nargs="+")
    args = parser.parse_args()
    raw = {}
    for one in args.sets:
        name, tapes, reports = one.split("=")
        t = measure(name, tapes, reports, args.rows)
        print(line(name, t))
        raw[name] = dict(sorted(t.count.items()))
    if args.json:
        json.dump(raw, open(args.json, "w"), indent=1)


if __name__ == "__main__":
    main()
