"""Pairs of frames whose motion is known, and where OpenCV's phase correlation and ECC put them, as CSV beside this script.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python make.py

The scene is a sum of plane waves, so that it is known between pixels too. Frames have shot and read noise and an sRGB curve (IEC
61966-2-1); the second one has another exposure. Both methods get what suits them best: the logarithm of the light, by the known
curve and exposures, cut to what both frames see; phase correlation under a Hann window. ECC (Evangelidis and Psarakis 2008) looks
for a shift and a turn, starting from nothing or from phase correlation's shift.
"""

import csv
import pathlib

import cv2
import numpy as np

HERE = pathlib.Path(__file__).parent
ROWS, COLUMNS = 192, 256
FULL_WELL, READ = 9000.0, 4.0
# Columns, rows, degrees, stops.
PAIRS = [
    (3.4, -2.7, 0.0, 1.0),
    (0.3, 0.6, 0.0, 2.0),
    (-7.8, 5.2, 0.0, -1.0),
    (11.5, 8.25, 0.0, 2.0),
    (2.1, -3.3, 0.6, 1.0),
    (-6.4, 4.9, -1.2, -2.0),
    (17.3, -12.6, 0.0, 1.0),
    (-14.2, 9.7, 2.0, 2.0),
]


def scene(random):
    angle = random.uniform(0, np.pi, 40)
    frequency = 0.25 * random.uniform(0.02, 1, 40) ** 1.5
    size = 1 / np.maximum(frequency, 0.005)
    size *= 1.2 / np.sqrt((size**2).sum() / 2)
    turn = 2 * np.pi * frequency
    return turn * np.cos(angle), turn * np.sin(angle), random.uniform(0, 2 * np.pi, 40), size


def seen(waves, motion):
    """log2 radiance of a frame in which the reference's point p lies at R (p - c) + c + d."""
    x, y, degrees = motion
    a = np.radians(degrees)
    c, r = np.meshgrid(np.arange(COLUMNS) + 0.5, np.arange(ROWS) + 0.5)
    u, v = c - COLUMNS / 2 - x, r - ROWS / 2 - y
    c = np.cos(a) * u + np.sin(a) * v + COLUMNS / 2
    r = -np.sin(a) * u + np.cos(a) * v + ROWS / 2
    return sum(s * np.cos(p * c + q * r + t) for p, q, t, s in zip(*waves))


def taken(log2, exposure, random):
    electrons = FULL_WELL * exposure * np.exp2(log2)
    noisy = electrons + np.sqrt(electrons + READ**2) * random.standard_normal(log2.shape)
    x = np.clip(noisy / FULL_WELL, 0, 1)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.rint(255 * y).astype(np.uint8)


def logs(codes, exposures):
    """ln of the light of both frames, cut to what neither crushes nor clips."""
    y = [c / 255.0 for c in codes]
    x = [np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4) for v in y]
    low, high = (8 / 255 / 12.92) / min(exposures), 0.95 / max(exposures)
    return [np.log(np.clip(v / e, low, high)).astype(np.float32) for v, e in zip(x, exposures)]


def error(matrix, truth):
    """Largest distance over the corners between two 2 x 3 matrices on pixel coordinates, pixels."""
    corners = np.array([[0, 0, 1], [COLUMNS, 0, 1], [0, ROWS, 1], [COLUMNS, ROWS, 1.0]])
    return np.hypot(*((matrix - truth) @ corners.T)).max()


def matrix(x, y, degrees):
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    centre = np.array([COLUMNS / 2, ROWS / 2])
    return np.column_stack([turn, centre - turn @ centre + (x, y)])


def ecc(first, second, start):
    """OpenCV counts from pixels' centres; its matrix takes the reference's points to the frame's."""
    warp = matrix(*start, 0).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
    try:
        _, warp = cv2.findTransformECC(first, second, warp, cv2.MOTION_EUCLIDEAN, stop)
    except cv2.error:
        return None
    warp = warp.astype(float)
    half = np.array([0.5, 0.5])
    warp[:, 2] += half - warp[:, :2] @ half
    return warp


def srgb(x):
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def bound(waves, motion, exposures):
    """Bound of Robinson and Milanfar (2004) on the place of the frame's corners, root mean square, pixels: the inverse of the summed
    squared gradients over the noise of both frames, over pixels that neither crushes nor clips; of a shift, and of a turn too
    where there is one. The noise is that of `taken`: shots, reading, rounding."""
    log2 = seen(waves, motion)
    light = [e * np.exp2(log2) for e in exposures]
    code = [255 * srgb(np.minimum(x, 1)) for x in light]
    slope = [255 * (srgb(x * 1.001) - srgb(x * 0.999)) / (0.002 * x) for x in light]
    variance = [s**2 * (FULL_WELL * x + READ**2) / FULL_WELL**2 + 1 / 12 for s, x in zip(slope, light)]
    rise = slope[1] * exposures[1] / (slope[0] * exposures[0])
    noise = variance[1] + rise**2 * variance[0]
    dy, dx = np.gradient(code[1])
    usable = np.all([(c >= 3) & (c < 250) for c in code], axis=0)
    usable[[0, -1]] = usable[:, [0, -1]] = False
    c, r = np.meshgrid(np.arange(COLUMNS) + 0.5 - COLUMNS / 2, np.arange(ROWS) + 0.5 - ROWS / 2)
    rows = np.stack([dx, dy, c * dy - r * dx][: 3 if motion[2] else 2])[:, usable] / np.sqrt(noise[usable])
    covariance = np.linalg.inv(rows @ rows.T)
    square = covariance[0, 0] + covariance[1, 1]
    if motion[2]:
        square += covariance[2, 2] * (COLUMNS**2 + ROWS**2) / 4
    return np.sqrt(square)


rows = []
for i, (x, y, degrees, stops) in enumerate(PAIRS):
    random = np.random.default_rng(100 + i)
    waves = scene(random)
    first = taken(seen(waves, (0, 0, 0)), 0.25, random)
    second = taken(seen(waves, (x, y, degrees)), 0.25 * 2**stops, random)
    for name, codes in (("first", first), ("second", second)):
        cv2.imwrite(str(HERE / f"pair{i}_{name}.png"), codes)
    truth = matrix(x, y, degrees)
    window = cv2.createHanningWindow((COLUMNS, ROWS), cv2.CV_32F)
    a, b = logs((first, second), (0.25, 0.25 * 2**stops))
    shift, _ = cv2.phaseCorrelate(a, b, window)
    found = [ecc(a, b, start) for start in ((0, 0), shift)]
    errors = [error(matrix(*shift, 0), truth)] + [np.inf if f is None else error(f, truth) for f in found]
    sd = bound(waves, (x, y, degrees), (0.25, 0.25 * 2**stops))
    rows.append([x, y, degrees, stops, *(f"{e:.4f}" for e in errors), f"{sd:.5f}"])

with open(HERE / "pairs.csv", "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow(["columns", "rows", "degrees", "stops", "phase_correlation_px", "ecc_px", "ecc_from_phase_px", "bound_px"])
    out.writerows(rows)
