#!/usr/bin/env python3
"""Mean of the folded weights of several runs that grew out of each other. usage: average.py WEIGHTS.npz... MEAN.npz (needs: numpy)"""
import sys, numpy as np
runs = [np.load(f) for f in sys.argv[1:-1]]
np.savez(sys.argv[-1], **{k: sum(r[k] for r in runs) / len(runs) for k in runs[0].files})
