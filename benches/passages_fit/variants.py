"""Variants of labelled tapes: other talk level, room noise, recorder. usage: variants.py RENDER_FOLDER KIT_FOLDER OUT COUNT SEED TAPE.wav ... (truth beside)"""
import sys, json, os, subprocess
import numpy as np, soundfile as sf, scipy.signal as ss, soxr
import mixes as G
FS = 44100
out, count, seed = sys.argv[3], int(sys.argv[4]), int(sys.argv[5])
for j, p in enumerate(sys.argv[6:]):
    x, fs = sf.read(p, dtype='float32'); x = x.mean(1) if x.ndim > 1 else x; x = soxr.resample(x, fs, FS)
    T = json.load(open(p.replace('.wav', '.truth.json'))); segs = T['segments']
    for v in range(count):
        rng = np.random.default_rng(seed + 100 * j + v); y = x.copy().astype(float); name = f'v{seed}{"abcdefgh"[v]}{j}'
        g = np.ones(len(y)); talk = rng.uniform(-10, 6); noise_ev = rng.uniform(-12, 0)
        for s in segs:
            d = talk if s['kind'] == 'talk' else noise_ev if s['kind'] == 'silence' else 0
            g[int(s['start'] * FS):int(s['end'] * FS)] = 10 ** (d / 20)
        g = ss.sosfiltfilt(ss.butter(1, 8, fs=FS, output='sos'), g); y *= g
        y *= 10 ** (rng.uniform(-15, -1) / 20) / np.max(np.abs(y))
        y += G.col_noise(rng, len(y), rng.choice([0, -3, -6]), rng.choice([400, 2000, 8000])) * 10 ** (rng.uniform(-75, -52) / 20)
        hp = None
        if rng.random() < .35: hp = float(rng.choice([80, 140, 220])); y = ss.sosfilt(ss.butter(2, hp, 'hp', fs=FS, output='sos'), y)
        a = None
        if rng.random() < .3: y, a = G.agc(rng, y)
        if np.max(np.abs(y)) > .99: y /= np.max(np.abs(y)) * 1.03
        fmt, br = [('wav', ''), ('mp3', '64k'), ('m4a', '64k'), ('ogg', '96k')][int(rng.integers(4))]
        w = f'{out}/{name}.x.wav'; sf.write(w, y.astype(np.float32), FS, subtype='PCM_16'); f2 = w
        if fmt != 'wav': f2 = f'{out}/{name}.x.{fmt}'; subprocess.run(['ffmpeg', '-v', 'error', '-y', '-i', w, '-b:a', br, f2], check=True); os.remove(w)
        os.rename(f2, f2.replace('.x.', '.'))
        json.dump(dict(name=name, duration=len(y) / FS, segments=segs, meta=dict(agc=a, clip=None, hp=hp, lp=None, noise=0, fmt=fmt + br)), open(f'{out}/{name}.truth.json', 'w'))
