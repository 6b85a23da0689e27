#!/usr/bin/env python3
"""Rehearsal tapes of many charts with known truth: the same chart in other weeks, rooms, recorders, tempi and pitches.

usage: render_charts.py RENDERER_FOLDER OUT SET SEED FIRST LAST
RENDERER_FOLDER holds `render_tapes.py`; SET is "choose", or "show" or "late" (other charts). Every tape is one rehearsal with three or
four takes; a take may begin in another part of the form, stop early, or break off and begin again. Bass notes, comping and horn
notes are drawn anew for every take, so that only the harmony, the form and about the tempo (within 8 %) are the same.
`TAPE.truth.json` names the chart of each take. Some charts are blues and 32-bar songs in the same key that share most bars.
"""
import json, os, sys, types
import numpy as np

def bars(text):
    """"0:7 5:7" -> [(0, '7'), (5, '7')]; "0:7*4" is four bars."""
    out = []
    for word in text.split():
        word, _, times = word.partition("*")
        degree, _, quality = word.partition(":")
        out += [(int(degree), quality)] * int(times or 1)
    return out

PLAIN = bars("0:7*4 5:7*2 0:7*2 7:7 5:7 0:7*2")
JAZZ = bars("0:7 5:7 0:7*2 5:7 6:o7 0:7 9:7 2:m7 7:7 0:7 7:7")
MINOR = bars("0:m7*4 5:m7*2 0:m7*2 8:7 7:7 0:m7*2")
DESCENDING = bars("0:M7 11:m7b5 9:m7 7:m7 5:7 5:m7 3:m7 8:7 2:m7 7:7 0:7 7:7")
A = bars("0:M7 9:7 2:m7 7:7 4:m7 9:7 2:m7 7:7")
A2 = bars("0:M7*2 2:m7 7:7 5:M7 10:7 0:M7 7:7")
CHOOSE = [
    dict(title="plain", key=58, bpm=128, form=PLAIN),
    dict(title="jazz", key=58, bpm=136, form=JAZZ, intro=bars("2:m7 7:7 2:m7 7:7")),
    dict(title="minor", key=58, bpm=124, form=MINOR),
    dict(title="plain-fast", key=58, bpm=196, form=PLAIN, intro=bars("7:7*8")),
    dict(title="descending", key=58, bpm=150, form=DESCENDING),
    dict(title="changes", key=58, bpm=140, form=A * 2 + bars("4:7*2 9:7*2 2:7*2 7:7*2") + A),
    dict(title="changes-other-bridge", key=58, bpm=146, form=A * 2 + bars("5:M7*2 5:m7 10:7 0:M7 9:7 2:7 7:7") + A),
    dict(title="song", key=53, bpm=116, form=bars("0:M7*2 7:m7 0:7 5:M7 5:m7 0:M7 9:7 2:m7 7:7 4:m7 9:7 2:m7 7:7 0:M7 7:7") * 2),
    dict(title="modal", key=50, bpm=152, form=bars("0:m7*8 3:m7*4 0:m7*4")),
    dict(title="ballad", key=51, bpm=72, form=bars("0:M7 0:7 5:M7 10:7 0:M7 9:7 2:m7 7:7")),
]
SHOW = [
    dict(title="one", key=53, bpm=126, form=bars("0:7 5:7 0:7*2 5:7*2 0:7*2 2:m7 7:7 0:7 7:7"), intro=bars("7:7*4")),
    dict(title="two", key=53, bpm=138, form=bars("0:7*4 5:7 5:m7 0:7 3:o7 2:m7 7:7 4:m7 9:7")),
    dict(title="three", key=53, bpm=132, form=bars("0:m7 5:m7 0:m7*2 5:m7*2 0:m7*2 2:m7b5 7:7 0:m7 7:7")),
    dict(title="four", key=53, bpm=188, form=bars("0:7 5:7 0:7*2 5:7*2 0:7*2 2:m7 7:7 0:7 7:7")),
    dict(title="five", key=53, bpm=152, form=bars("0:M7*2 10:7*2 9:7*2 8:7 7:7 0:M7 9:7 2:m7 7:7")),
    dict(title="six", key=53, bpm=144, form=A * 2 + bars("9:m7*2 2:7*2 2:m7*2 7:7*2") + A),
    dict(title="seven", key=53, bpm=150, form=A2 * 2 + bars("5:M7*2 6:o7 0:M7 9:7 2:7*2 7:7") + A2),
    dict(title="eight", key=48, bpm=120, form=bars("0:m7 5:m7 10:7 3:M7 8:M7 2:m7b5 7:7 0:m7") * 2),
    dict(title="nine", key=55, bpm=168, form=bars("0:m7*4 10:M7*4 8:M7*2 7:7*2 0:m7*4")),
    dict(title="ten", key=56, bpm=66, form=bars("0:M7 4:m7 9:7 2:m7 7:7 0:M7 5:m7 10:7")),
]
LATE = [
    dict(title="p", key=60, bpm=134, form=bars("0:7 5:7 0:7*2 5:7*2 0:7 9:7 2:7 7:7 0:7 7:7")),
    dict(title="q", key=60, bpm=142, form=bars("0:7*2 0:7*2 5:7 10:7 0:7*2 8:7 7:7 0:7*2"), intro=bars("0:7*4")),
    dict(title="r", key=60, bpm=128, form=bars("0:m7 2:m7b5 0:m7*2 5:m7*2 0:m7*2 2:7 8:7 0:m7*2")),
    dict(title="s", key=60, bpm=146, form=A * 2 + bars("4:m7 9:7 2:7*2 5:m7 10:7 2:m7 7:7") + A),
    dict(title="t", key=60, bpm=138, form=A2 * 2 + bars("0:7*2 5:M7*2 2:7*2 2:m7 7:7") + A2),
    dict(title="u", key=60, bpm=132, form=bars("0:M7*2 1:o7*2 2:m7*2 3:o7*2 4:m7 9:7 2:m7 7:7 0:M7 9:7 2:m7 7:7")),
    dict(title="v", key=55, bpm=176, form=bars("0:m7*8 5:m7*4 0:m7*4")),
    dict(title="w", key=58, bpm=84, form=bars("0:M7 5:7 0:M7 9:7 2:m7*2 7:7*2")),
]
HORNS = ["trumpet", "trombone", "alto", "tenor"]
FLUID, TIM = "/usr/share/sounds/sf2/FluidR3_GM.sf2", "/usr/share/sounds/sf2/TimGM6mb.sf2"
GAIN = dict(guitar=1, piano=9, trumpet=3, trombone=2, alto=2, tenor=2)


def segments(rng, chart):
    """What of the chart is played: lists of bars, each with whether it is preceded by a stop."""
    form, intro = chart["form"], chart.get("intro", [])
    choruses = max(1, int(round(rng.uniform(24, 52) / len(form))))
    whole = intro + form * choruses
    how = str(rng.choice(["whole", "from", "early", "restart"], p=[.4, .25, .2, .15]))
    if how == "from":
        start = int(rng.integers(1, max(2, len(whole) - 20)))
        return how, [(whole[start:], False)]
    if how == "early":
        return how, [(whole[: max(16, int(len(whole) * rng.uniform(.4, .8)))], False)]
    if how == "restart":
        return how, [(whole[: int(rng.integers(6, 14))], False), (whole, True)]
    return how, [(whole, False)]


def take(rng, chart):
    how, segs = segments(rng, chart)
    bpm = chart["bpm"] * (1 + rng.uniform(-.08, .08))
    return dict(kind="take", title=chart["title"], how=how, segments=segs, bpm=float(bpm), key=chart["key"], drift=float(rng.normal(0, .02)),
                swing=float(rng.uniform(1.5, 2.6)), kick=float(rng.choice([38, 60, 90])), gtr=str(rng.choice(["four", "sync"])), rock=bool(rng.random() < .08),
                sections=[dict(label="a", horns="melody")])


def scenario(name, charts, at, seed):
    rng = np.random.default_rng([seed, at])
    horns = list(rng.permutation(HORNS)[: int(rng.integers(1, 5))])
    players = ["bass", "piano", "drums"] + (["guitar"] if rng.random() < .8 else []) + horns
    picked = [charts[k] for k in rng.permutation(len(charts))[:4]]
    items = [dict(kind="silence", dur=1.5)]
    for chart in picked: items += [take(rng, chart), dict(kind="talk", dur=float(rng.uniform(5, 8)))]
    gain = dict(GAIN, bass=3 + rng.uniform(-3, 5), drums=13 + rng.uniform(-4, 4))
    phone = rng.random() < .3
    spec = dict(name=name, seed=int(rng.integers(1 << 30)), players=players, gain=gain, rt60=float(rng.uniform(.35, 1.4)), drr_db=float(rng.uniform(-1, 7)),
                items=items, noise_dbfs=float(rng.uniform(-66, -50)), a4_cents=float(rng.uniform(-20, 20)), font=str(rng.choice([FLUID, TIM])),
                voice=dict(bass=str(rng.choice(["bass_upright", "bass_electric"])), piano=str(rng.choice(["piano", "epiano"], p=[.75, .25]))),
                tuning=dict(bass=dict(cents=float(rng.uniform(-15, 15))), guitar=dict(cents=float(rng.uniform(-10, 10)))), format="flac")
    if phone: spec.update(mic_hp=float(rng.uniform(90, 180)), agc=bool(rng.random() < .5), format="mp3", bitrate="96k")
    return spec


def main():
    sys.path.insert(0, sys.argv[1])
    import render_tapes as r
    r.QUAL.update({"o7": [0, 3, 6, 9], "m7b5": [0, 3, 6, 10]})
    # Neither the pitch of every note nor the loudness of every stem is wanted here.
    r.key_errors = lambda font, program, keys: dict.fromkeys(keys, 0.0)
    r.pyloudnorm = types.SimpleNamespace(Meter=lambda rate: types.SimpleNamespace(integrated_loudness=lambda x: 0.0))
    once = r.take_notes

    def take_notes(rng, it, t0, notes, beats, sections, spec):
        """The renderer plays one form; here each stretch of bars is played as a form of its own."""
        end = t0
        for k, (form, after_a_stop) in enumerate(it["segments"]):
            r.BLUES = form
            part = dict(it, form="blues", count_in=k == 0)
            end = once(rng, part, end + (1.2 + 60 / it["bpm"] if after_a_stop else 0), notes, beats, sections, spec) - 1.2
        return end + 1.2
    r.take_notes = take_notes
    out, which, seed, first, last = sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5]), int(sys.argv[6])
    for at in range(first, last):
        day = np.datetime64("2026-01-05") + 7 * at
        name = f"{day}-{which}"
        if os.path.exists(f"{out}/{name}.truth.json"): continue
        spec = scenario(name, dict(choose=CHOOSE, show=SHOW, late=LATE)[which], at, seed)
        r.render(spec, out, spec["font"])
        truth = json.load(open(f"{out}/{name}.truth.json"))
        plain = [t for t in spec["items"] if t["kind"] == "take"]
        kept = dict(name=name, recorder=dict(mic_hp=spec.get("mic_hp"), agc=spec.get("agc")), a4_cents=spec["a4_cents"],
                    takes=[dict(title=t["title"], how=p["how"], bpm=t["bpm"], start=t["start"], end=t["end"], bars=len(t["beats"]) // 4) for t, p in zip(truth["takes"], plain)])
        json.dump(kept, open(f"{out}/{name}.truth.json", "w"), indent=1)
        print(name, flush=True)


if __name__ == "__main__":
    main()
