#!/usr/bin/env python3
"""Tapes on which players do not play, or the horns are tuned apart from the piano: who is told, and where the band stands.
usage: players.py render RENDERER OUT SEED COUNT NAME KIND | players.py score TAPES REPORTS [OUT.json]
KIND of the takes, otherwise those of mixes.py: bass (all but the bass play, the piano low on every second tape), bass+ (no bass, of guitar, piano and drums each
missing on one of five, the piano low on two of five), some (bass, guitar, piano, drums missing on 15, 20, 45, 15 of a hundred; the same), horns (all play; the horns up to
25 cents off, each 2 more or less). Tuning passages stay, so that a bass that was tuned may rest in the take.
score: who plays and is told, and how far piano, horns and the band (the middle of all their notes) are told off, with the share of truths inside."""
import glob, json, multiprocessing, os, random, sys
import numpy as np
HORNS = ("trumpet", "trombone", "alto", "tenor")
MISSING = {"bass+": dict(bass=1, guitar=.2, piano=.2, drums=.2), "some": dict(bass=.15, guitar=.2, piano=.45, drums=.15)}


def change(s, chance, kind, number):
    """A scenario of mixes.py as KIND wants it; None where it has no horns to be tuned apart."""
    if kind == "horns":
        own = [p for p in s["players"] if p in HORNS]; by = chance.uniform(-25, 25) if own else 0
        for p in own: s["tuning"][p] = dict(cents=by + chance.gauss(0, 2), per_min=0)
        return s if own else None
    gone = {"bass"}
    if kind in MISSING: gone = {p for p, share in MISSING[kind].items() if share == 1 or chance.random() < share}
    if {"guitar", "piano"} <= gone: gone.discard("piano")
    for item in s["items"]:
        for section in item.get("sections", []): section["players"] = [p for p in section.get("players", s["players"]) if p not in gone]
    if kind == "bass":
        if number % 2: s["piano_low"] = 1 if number % 4 == 1 else 2
        return s
    if chance.random() < .4: s["piano_low"] = chance.choice([1, 2])
    if chance.random() < .3: s["rt60"] = chance.uniform(.9, 1.6)
    return s


def scenarios(seed, count, name, kind):
    import mixes
    chance = random.Random(seed); tapes = []; number = 0
    while len(tapes) < count:
        s = change(mixes.scenario(chance, seed, name, number), chance, kind, number); number += 1
        if s: tapes.append(s)
    return tapes


def render(renderer, out, seed, count, name, kind):
    sys.argv = ["mixes.py", renderer, out, seed, count, name]
    import mixes
    os.makedirs(out, exist_ok=True); mixes.OUT = out; tapes = scenarios(int(seed), int(count), name, kind)
    json.dump(tapes, open(f"{out}/{name}.scenario", "w"))
    with multiprocessing.Pool(2) as pool: pool.map(mixes.render, tapes, chunksize=1)


def wrap(cents): return (cents + 50) % 100 - 50


def middle(notes):
    cents, weight = np.array([n["cents"] for n in notes]), np.array([n["d"] for n in notes])
    order = np.argsort(cents); total = np.cumsum(weight[order]); return float(cents[order][np.searchsorted(total, total[-1] / 2)])


def rows(tapes, reports):
    """One row a take and player: the truth where it plays, what is told with its interval."""
    out = []
    for path in sorted(glob.glob(f"{reports}/*/report.json")):
        r = json.load(open(path)); name = os.path.splitext(r["tape"]["file_name"])[0]; truth = json.load(open(f"{tapes}/{name}.truth.json"))
        for take, own in zip(r["takes"], truth["takes"]):
            def notes(players): return [n for p in players for n in truth["notes"].get(p, []) if own["start"] <= n["t"] < own["end"]]
            of = {p: take["tuning"][p] for p in ("bass", "guitar", "piano", "horns")}
            told = {p: m["offset_from_a440_cents"] for p, m in of.items()}
            by = next((m for m in of.values() if all(x["value"] is not None for x in (m["offset_from_a440_cents"], m["offset_from_band_cents"]))), None)
            if by: told["band"] = dict(value=by["offset_from_a440_cents"]["value"] - by["offset_from_band_cents"]["value"])
            for player, players in dict(bass=["bass"], guitar=["guitar"], piano=["piano"], horns=HORNS, band=("piano",) + HORNS).items():
                m = told.get(player, {}); n = notes(players)
                out.append(dict(tape=name, player=player, truth=middle(n) if n else None, value=m.get("value"), low=m.get("low"), high=m.get("high")))
    return out


def score(tapes, reports, out=None):
    all_rows = rows(tapes, reports)
    for player in ("bass", "guitar", "piano", "horns", "band"):
        own = [r for r in all_rows if r["player"] == player]; plays = [r for r in own if r["truth"] is not None]; told = [r for r in plays if r["value"] is not None]
        rests = [r for r in own if r["truth"] is None]; wrong = sum(r["value"] is not None for r in rests)
        e = np.array([wrap(r["value"] - r["truth"]) for r in told]); text = ""
        if len(e): text = f"; off by {np.median(abs(e)):.2f} / {abs(e).mean():.2f} / nineteen in twenty {np.quantile(abs(e), .95):.1f} / worst {abs(e).max():.1f}, more than 5 on {100 * np.mean(abs(e) > 5):.1f} %"
        if len(e) and told[0]["low"] is not None:
            half = np.array([(r["high"] - r["low"]) / 2 for r in told]); text += f"; inside {np.mean(abs(e) <= half):.3f}, half-width {np.median(half):.1f}"
        print(f"{player:6s} plays on {len(plays)}, told {len(told)}; rests on {len(rests)}, told {wrong}{text}")
    if out: json.dump(all_rows, open(out, "w"))


if __name__ == "__main__":
    if sys.argv[1] == "render": render(*sys.argv[2:8])
    else: score(*sys.argv[2:])
