"""Files of windows that a fit may be reading while others are still being made."""
import glob, os
import numpy as np


def write(path, arrays):
    """path.npz, under another name until it is whole."""
    np.savez(path + ".part.npz", **arrays); os.rename(path + ".part.npz", path + ".npz")


def files(paths):
    """The files among the paths, and the finished ones in folders among them."""
    return [f for p in paths for f in (sorted(glob.glob(p + "/*[0-9].npz")) if os.path.isdir(p) else [p])]
