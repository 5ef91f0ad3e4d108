"""One small map in every compression of OpenEXR, written by the format's own library.

    python -m venv v && v/bin/pip install -r ../exr/requirements.txt && v/bin/python make.py

24 x 40 pixels, FLOAT R, G, B by the formula in `light`, which the test computes again.
"""

import pathlib

import numpy as np
import OpenEXR

HERE = pathlib.Path(__file__).parent
NAMES = ["NO", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB", "HTJ2K32", "ZSTD"]


def light():
    r, c, k = np.mgrid[:24, :40, :3].astype(np.float64)
    return np.exp2(0.1 * c - 0.05 * r + 0.2 * k - 2).astype(np.float32)


for name in NAMES:
    header = {"compression": getattr(OpenEXR, f"{name}_COMPRESSION"), "type": OpenEXR.scanlineimage}
    OpenEXR.File(header, {"RGB": light()}).write(str(HERE / f"{name.lower()}.exr"))
