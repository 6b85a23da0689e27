#!/usr/bin/env python3
"""Short tapes with many basses and guitars, half of them recorded ones, for the tuning measures.
usage: mixes.py RENDERER OUT SEED COUNT NAME [--guitar yes|no] [--low-piano] [--kit KIT]
RENDERER: folder of the tape renderer (render_tapes.py, and the kit of real notes beside it). One take of two or three sections a tape, seven
of ten with open strings of the bass before it; tempo, room, key, balance, detuning, recorder and codec by chance. --guitar keeps only tapes with one or without; with
--low-piano the piano plays its chords an octave lower, in the guitar's register (on every third tape half of them); with --kit (more_notes.py) the recorded
instruments are mostly the further ones of KIT, and a fourth sound font plays on two of five tapes. Needs what the renderer needs, and three
General-MIDI sound fonts of Debian's packages."""
import json, multiprocessing, os, random, sys
MORE = "--kit" in sys.argv
sys.path.insert(0, sys.argv[1]); import render_tapes as R
FONTS = ["/usr/share/sounds/sf2/FluidR3_GM.sf2"] * 2 + ["/usr/share/sounds/sf2/TimGM6mb.sf2",
    next(f for f in ("/usr/share/sounds/sf3/MuseScore_General.sf3", "/usr/share/sounds/sf2/MuseScore_General_Full.sf2") if os.path.exists(f))]  # the second loads ten times as fast
R.PROG.update(b_pick=34, b_fretless=35, g_nylon=24, g_steel=25, g_jazz=26, g_clean=27)
BASSES = dict(meatbass=5, smolken=4, growly=4, flatwound=4, yr=4)  # recorded ones: usual gain, dB
UPRIGHT = ("meatbass", "smolken")
GUITARS = dict(emily=4, archtop=-1)
MORE_GUITARS = dict(steel=5, solid=3, nylon=2, gut=1, flattop=5, hollow=1); MORE_FONT = "/usr/share/sounds/sf2/sf_GMbank.sf2"
HORNS = ("trumpet", "trombone", "alto", "tenor")
RHYTHM = ("bass", "guitar", "piano", "drums")
def tuning(chance, most, strings):
    t = dict(cents=chance.uniform(-most, most), per_min=chance.choice([0, 0, chance.uniform(-2.5, 2.5)]))
    if chance.random() < .4: t["strings"] = [round(chance.gauss(0, 4), 1) for _ in range(strings)]
    return t
def further(chance, s, band, gain, number):
    if number % 3 == 0: s["kit"]["bass"] = "bass_electric/round"; gain["bass"] = 2
    if chance.random() < .4: s["font"] = MORE_FONT
    if "guitar" in band and chance.random() < .85:
        g = chance.choice(list(MORE_GUITARS)); s["kit"]["guitar"] = f"guitar/{g}_"; gain["guitar"] = MORE_GUITARS[g]
def scenario(chance, seed, name, number):
    band = ["bass", "guitar", "piano", "drums"] + [h for h in HORNS if chance.random() < .45]
    if chance.random() < .12: band.remove("guitar")
    s = dict(name=f"{name}{number:02d}", seed=1000 * seed + number, players=band, font=chance.choice(FONTS), kit={}, rt60=chance.uniform(.3, 1.2), drr_db=chance.uniform(0, 9))
    s["voice"] = dict(bass=chance.choice(["bass_upright", "bass_electric", "bass_electric", "b_pick", "b_fretless"]))
    if "guitar" in band: s["voice"]["guitar"] = chance.choice(["g_steel", "g_jazz", "g_jazz", "g_clean", "g_nylon"])
    if chance.random() < .2: s["voice"]["piano"] = "epiano"
    gain = dict(bass=2, guitar=1, piano=9, drums=13, trumpet=3, trombone=2, alto=2, tenor=2)
    if number % 2 == 0:
        b = list(BASSES)[number // 2 % len(BASSES)]; s["kit"]["bass"] = f"bass_{'upright' if b in UPRIGHT else 'electric'}/{b}"; gain["bass"] = BASSES[b]
    if "guitar" in band and chance.random() < .5:
        g = chance.choice(list(GUITARS)); s["kit"]["guitar"] = f"guitar/{g}"; gain["guitar"] = GUITARS[g]
    if chance.random() < .35: s["kit"]["piano"] = chance.choice(["piano/grand", "piano/wurli"]); gain["piano"] = 1.5
    if MORE: further(chance, s, band, gain, number)
    s["gain"] = {k: v + chance.uniform(-3, 3) for k, v in gain.items()}
    s["a4_cents"] = chance.choice([0, 0, 0, chance.uniform(-15, 15)])
    s["tuning"] = dict(bass=tuning(chance, 25, 4))
    if "guitar" in band: s["tuning"]["guitar"] = tuning(chance, 20, 6)
    if chance.random() < .5: s["stereo"] = True; s["pan"] = {p: chance.uniform(-.8, .8) for p in band + ["talk"]}
    s["noise_dbfs"] = chance.uniform(-65, -48)
    if chance.random() < .25: s["mic_hp"] = chance.uniform(60, 150)
    if chance.random() < .2: s["agc"] = True
    if chance.random() < .15: s["hum_dbfs"] = chance.uniform(-60, -48)
    if chance.random() < .12: s["clip_db"] = chance.uniform(2, 6)
    if chance.random() < .4: s["eq"] = {"bass": [dict(type="shelf", f=chance.uniform(80, 140), db=chance.uniform(-6, 9))]}
    s["format"] = chance.choice(["flac", "mp3", "m4a", "ogg"])
    if s["format"] != "flac": s["bitrate"] = chance.choice(["96k", "128k", "160k"])
    items = [dict(kind="tuning", player="bass", reps=chance.choice([1, 2]))] if chance.random() < .7 else []
    if "guitar" in band and chance.random() < .5: items.append(dict(kind="tuning", player="guitar", reps=1))
    items.append(dict(kind="talk", dur=chance.uniform(4, 8)))
    bpm = chance.choice([chance.uniform(76, 120), chance.uniform(120, 180), chance.uniform(180, 235)])
    sections = [dict(label="head", horns="melody"), dict(label="solo", players=[p for p in band if p in RHYTHM])]
    if bpm > 150: sections.append(dict(label="shout", horns="shout"))
    items.append(dict(kind="take", title="A", bpm=bpm, sections=sections, swing=chance.uniform(1.4, 2.6), drift=chance.uniform(-.04, .04), key=chance.randint(50, 61),
        form=chance.choice(["blues", "blues", "aaba"]) if bpm > 150 else "blues", gtr=chance.choice(["four", "four", "sync", "two"]), clutter=chance.random() < .2,
        rock=chance.random() < .2, kick=chance.choice([38, 38, 80, 110]), bass_lag_ms=chance.choice([0, 0, chance.uniform(-20, 25)])))
    return s | dict(items=items + [dict(kind="silence", dur=2)])
def take_notes(rng, item, t0, notes, beats, sections, spec, plain=R.take_notes):
    end = plain(rng, item, t0, notes, beats, sections, spec)
    if spec.get("piano_low"): notes["piano"] = [(t, d, k - 12 if spec["piano_low"] == 1 or int(t * 2) % 2 == 0 else k, v, s) for (t, d, k, v, s) in notes["piano"]]
    return end
R.take_notes = take_notes
def render(s): R.render(s, OUT, s["font"])
def scenarios(seed, count, name, guitar, low):
    chance = random.Random(seed); number = 0; out = []
    while len(out) < count:
        s = scenario(chance, seed, name, number); number += 1
        if guitar is None or guitar == ("guitar" in s["players"]): out.append(s | (dict(piano_low=(1, 2, 1)[len(out) % 3]) if low else {}))
    return out
if __name__ == "__main__":
    OUT, seed, count, name = sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), sys.argv[5]; os.makedirs(OUT, exist_ok=True)
    if MORE: R.KIT = sys.argv[sys.argv.index("--kit") + 1]
    guitar = sys.argv[sys.argv.index("--guitar") + 1] == "yes" if "--guitar" in sys.argv else None
    all_tapes = scenarios(seed, count, name, guitar, "--low-piano" in sys.argv)
    json.dump(all_tapes, open(f"{OUT}/{name}.scenario", "w"))
    with multiprocessing.Pool(2) as pool: pool.map(render, all_tapes, chunksize=1)
