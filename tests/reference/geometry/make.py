"""Homographies and interpolation by scikit-image, as CSV beside this script.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python make.py

Of four points scikit-image's homographies agree with a solution in fractions to 2e-12 pixels; OpenCV's (5.0.0) are off by up to
1e-4, which is why they are not the reference here.
"""

import csv
import pathlib

import numpy as np
from skimage.transform import ProjectiveTransform, warp

HERE = pathlib.Path(__file__).parent
STATE = [2026]


def number():
    """Uniform in [0, 1), Numerical Recipes' 32-bit linear congruential generator."""
    STATE[0] = (1664525 * STATE[0] + 1013904223) % 2**32
    return STATE[0] / 2**32


def quad(size):
    """A convex page of about this size, turned and in perspective."""
    angle = np.radians(40 * number() - 20)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[-4.0, -1], [4, -1], [4, 1], [-4, 1]]) * size / 8
    corners += [[0.08 * size * (number() - 0.5) for _ in "xy"] for _ in corners]
    return np.rint((corners @ turn.T + [2000 * number(), 1500 * number()]) * 8) / 8


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows([[repr(float(v)) for v in row] for row in rows])


def homographies():
    rows = []
    for _ in range(20):
        a, b = quad(300 + 900 * number()), quad(300 + 900 * number())
        h = ProjectiveTransform.from_estimate(a, b)
        for _ in range(5):
            w = np.array([number() for _ in range(4)])
            p = (w / w.sum()) @ a
            q = h(p[None])[0]
            rows.append([*a.ravel(), *b.ravel(), *p, *q])
    names = [f"{k}{c}{i}" for k in ("from", "to") for i in range(4) for c in "xy"]
    write("homographies.csv", [*names, "x", "y", "mapped_x", "mapped_y"], rows)


def interpolation():
    plane = np.array([[number() for _ in range(20)] for _ in range(16)])
    write("plane.csv", [f"column{i}" for i in range(20)], plane)
    # Output pixel -> place in the plane, pixel centres at whole numbers; a perspective, so that every fraction occurs.
    back = np.array([[0.83, 0.11, 3.2], [-0.09, 0.79, 4.1], [0.004, -0.003, 1.0]])
    transform = ProjectiveTransform(back)
    shape = (10, 14)
    linear, cubic = (warp(plane, transform, output_shape=shape, order=k, preserve_range=True) for k in (1, 3))
    rows = []
    for r in range(shape[0]):
        for c in range(shape[1]):
            x, y = transform([[c, r]])[0]
            if 1 <= x < 18 and 1 <= y < 14:
                rows.append([x, y, linear[r, c], cubic[r, c]])
    write("samples.csv", ["x", "y", "linear", "cubic"], rows)


homographies()
interpolation()
