"""Response curves, radiance and exposure fusion of a synthetic bracket by OpenCV, as CSV beside this script.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python make.py

The frames are made here from whole-number arithmetic and a fixed linear congruential generator, so that they do not
depend on numpy's random numbers. Scene: a ramp of radiance over columns and rows with fine texture, so that every code occurs; response: sRGB-like, one
curve for all three channels; exposure times 1/4, 1 and 4.
"""

import csv
import pathlib

import cv2
import numpy as np

HERE = pathlib.Path(__file__).parent
ROWS, COLUMNS = 48, 64
TIMES = np.array([0.25, 1.0, 4.0], dtype=np.float32)
COLOURS = np.array([0.7, 1.0, 0.5])  # B, G, R: OpenCV's order


def noise(count):
    """Uniform numbers in [0, 1), Numerical Recipes' 32-bit linear congruential generator."""
    state, out = 12345, np.empty(count)
    for i in range(count):
        state = (1664525 * state + 1013904223) % 2**32
        out[i] = state / 2**32
    return out


def encode(x):
    """IEC 61966-2-1, clipped to 0..1, as 8-bit codes."""
    x = np.clip(x, 0, 1)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.rint(255 * y).astype(np.uint8)


def frames():
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    stops = -11.0 + 12.5 * column / (COLUMNS - 1) + 0.4 * row / ROWS
    radiance = 2.0 ** stops[..., None] * COLOURS
    radiance *= 1 + 0.1 * (noise(radiance.size).reshape(radiance.shape) - 0.5)
    return [encode(radiance * float(t)) for t in TIMES]


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows(rows)


def main():
    pictures = frames()
    flat = [p[..., ::-1].reshape(-1, 3) for p in pictures]  # R, G, B
    header = [f"{c}{i}" for i in range(3) for c in "rgb"]
    write("frames.csv", header, np.hstack(flat).tolist())
    settings = [("rows", ROWS), ("columns", COLUMNS), ("version", cv2.__version__)]
    settings += [(f"time{i}", repr(float(t))) for i, t in enumerate(TIMES)]
    write("settings.csv", ["name", "value"], settings)
    # 400 samples on a grid; lambda 10 as by default.
    debevec = cv2.createCalibrateDebevec(400, 10.0, False).process(pictures, TIMES)
    robertson = cv2.createCalibrateRobertson(100, 1e-5).process(pictures, TIMES)
    for name, curve in (("debevec", debevec), ("robertson", robertson)):
        assert curve.shape == (256, 1, 3) and np.isfinite(curve).all()
        rgb = curve[:, 0, ::-1]
        rows = [[code, *(repr(float(v)) for v in rgb[code])] for code in range(256)]
        write(f"{name}_response.csv", ["code", "r", "g", "b"], rows)
    merged = cv2.createMergeDebevec().process(pictures, TIMES, debevec)
    assert np.isfinite(merged).all()
    rgb = merged[..., ::-1].reshape(-1, 3)
    # Exposure fusion (Mertens, Kautz and Van Reeth 2007), all three exponents 1 as in the paper.
    fused = cv2.createMergeMertens(1.0, 1.0, 1.0).process(pictures)
    assert np.isfinite(fused).all()
    rows = [[f"{v:.6f}" for v in p] for p in fused[..., ::-1].reshape(-1, 3)]
    write("fusion.csv", ["r", "g", "b"], rows)
    write("debevec_radiance.csv", ["r", "g", "b"], [[repr(float(v)) for v in p] for p in rgb])


main()
