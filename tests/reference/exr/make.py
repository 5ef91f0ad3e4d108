"""A linear bracket as OpenEXR frames, written by the format's own library (OpenEXR's Python package).

Light is known: L(row, column) = 2^(-7 + 8 column / 95), times 0.5, 1, 0.8 for red, green, blue and 1 + 0.1 sin(row). A frame of
time t holds min(L t 60, 1) with normal noise of variance 1e-5 L t 60 + 4e-8, clipped at 1 and not below. Times are 1/240, 1/60,
1/15 s at f/5.6, ISO 200.
"""
from pathlib import Path

import numpy as np
import OpenEXR

HERE = Path(__file__).parent
ROWS, COLUMNS = 64, 96


def light():
    row, column, colour = np.mgrid[0:ROWS, 0:COLUMNS, 0:3]
    scale = np.array([0.5, 1.0, 0.8])[colour]
    return np.exp2(-7 + 8 * column / (COLUMNS - 1)) * scale * (1 + 0.1 * np.sin(row))


def main():
    rng = np.random.default_rng(20)
    for name, seconds in (("short", 1 / 240), ("middle", 1 / 60), ("long", 1 / 15)):
        exposure = light() * seconds * 60
        noisy = exposure + rng.normal(size=exposure.shape) * np.sqrt(1e-5 * exposure + 4e-8)
        pixels = np.minimum(noisy, 1.0).astype(np.float32)
        header = {
            "compression": OpenEXR.ZIP_COMPRESSION,
            "type": OpenEXR.scanlineimage,
            "expTime": float(np.float32(seconds)),
            "aperture": 5.6,
            "isoSpeed": 200.0,
        }
        with OpenEXR.File(header, {"RGB": pixels.astype(np.float16) if name == "middle" else pixels}) as file:
            file.write(str(HERE / f"{name}.exr"))


if __name__ == "__main__":
    main()
