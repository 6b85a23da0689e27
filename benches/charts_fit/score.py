#!/usr/bin/env python3
"""Scores the charts of season.json against the truth of the tapes: pairs of takes, same chart or not.

usage: score.py REPORTS TAPES[,TAPES] OUT.json
A pair is said to be the same when both takes stand under one chart of season.json. Takes that the passages missed, or whose beat
was lost, count as not recognised: their pairs are in the denominator of recall.
"""
import glob, itertools, json, os, sys


def main():
    reports, folders, out = sys.argv[1], sys.argv[2].split(","), sys.argv[3]
    season = json.load(open(f"{reports}/season.json"))
    chart = {(t["folder"], t["take"]): (number, t) for number, c in enumerate(season["charts"]) for t in c["takes"]}
    reason = {(t["folder"], t["take"]): t["reason"] for t in season["takes_without_chart"]}
    played, stray = [], 0
    for path in sorted(glob.glob(f"{reports}/*/report.json")):
        report = json.load(open(path)); folder = os.path.basename(os.path.dirname(path))
        stem = report["tape"]["file_name"].rsplit(".", 1)[0]
        truth = next((f"{t}/{stem}.truth.json" for t in folders if os.path.exists(f"{t}/{stem}.truth.json")), None)
        if truth is None: continue
        spans = [(t["start_s"], t["end_s"]) for t in report["takes"]]; used = set()
        for q in json.load(open(truth))["takes"]:
            shared = [min(q["end"], e) - max(q["start"], s) for s, e in spans]
            best = max(range(len(spans)), key=lambda i: shared[i], default=None)
            key = (folder, best + 1) if best is not None and shared[best] > 5 else None
            if key: used.add(best)
            played.append(dict(key=key, title=q["title"], how=q.get("how", ""), bpm=round(q["bpm"], 1)))
        stray += len(spans) - len(used)
    said = both = true = 0; wrong, missed = [], []
    for a, b in itertools.combinations(played, 2):
        same = a["title"] == b["title"] and a["title"] != ""
        found = a["key"] in chart and b["key"] in chart and chart[a["key"]][0] == chart[b["key"]][0]
        true += same; said += found; both += same and found
        if found and not same: wrong.append([a["title"], b["title"]])
        if same and not found: missed.append([a["title"], str(a["key"]), str(b["key"])])
    rows = [dict(title=p["title"], how=p["how"], bpm=p["bpm"], take=str(p["key"]), chart=season["charts"][chart[p["key"]][0]]["name"] if p["key"] in chart else reason.get(p["key"], "not found"),
                 confidence=chart[p["key"]][1]["confidence"] if p["key"] in chart else None) for p in played]
    result = dict(takes=len(played), charts=len({p["title"] for p in played}), pairs_same=true, pairs_said=said, pairs_right=both, stray_takes=stray,
                  precision=both / said if said else None, recall=both / true if true else None, rows=rows)
    json.dump(result, open(out, "w"), indent=1)
    print({k: v for k, v in result.items() if k != "rows"}); print("wrong", wrong[:8]); print("missed", len(missed))
    for r in rows:
        if r["chart"].find("chart") < 0: print(r)


if __name__ == "__main__":
    main()
