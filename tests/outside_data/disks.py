"""Ratios of levels to those of times of the real bracket of disks, by numpy alone: the table in real_bracket_map.rs.

    python disks.py PATH/TO/real_bracket_disks

Pixels of the first position of the 2 x 2 mosaic, of neighbouring frames; bins of one stop of (k a + b) / 2 below clipping at code 255,
from half a stop below it and from 4 codes in the darker frame up, of 200 pixels or more.
"""
import sys
from pathlib import Path

import numpy as np
import tifffile

TIMES = [25, 50, 100, 250, 500, 2000, 3916]

folder = Path(sys.argv[1])
frames = [tifffile.imread(folder / f"exposure_{t}ms.tif")[::2, ::2].astype(np.float32) / np.float32(255) for t in TIMES]
for i, (a, b) in enumerate(zip(frames, frames[1:])):
    a, b, k = a.astype(float), b.astype(float), TIMES[i + 1] / TIMES[i]
    both = (k * a + b) / 2
    with np.errstate(divide="ignore"):
        stop = np.log2(1 / both)
    counts = (stop >= 0.5) & (stop < 16) & (both >= k * 4 / 255)
    for n in range(16):
        these = counts & (stop.astype(int) == n)
        if these.sum() >= 200:
            level, ratio = 255 * b[these].mean(), b[these].sum() / (k * a[these].sum())
            print(f"({i}, {level:.2f}, {ratio:.4f}, {these.sum()}),")
