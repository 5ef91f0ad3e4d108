"""How a rendering compares with OpenCV's tone operators on the same maps, by the index of Yeganeh and Wang (2013).

    python -m venv v && v/bin/pip install -r requirements.txt
    v/bin/python quality.py PROGRAM [--side N] MAP.exr ...

PROGRAM renders each map by every operator it has; OpenCV's operators get the same R, G, B. Pictures are made at full size and
then averaged down so that their longer side is about N pixels (0: left as they are). The index assumes 32 pixels a degree of the
eye's field: a picture of 1000 pixels, the default, then fills 31 degrees, as a whole picture on a screen does; 3000 pixels would
fill 94. Luminance of a picture is 0.2126 R + 0.7152 G + 0.0722 B of its codes, of a map of its light; local deviations for the
naturalness are those of separate blocks of 11 x 11 pixels; scales are made by means of 2 x 2 pixels. Constants are those of the
authors' program, as public re-implementations have them. Without maps only the check values are looked at.
"""

import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np
from scipy.special import ndtr
from scipy.stats import beta

SCALES = [(16, 0.0448), (8, 0.2856), (4, 0.3001), (2, 0.2363), (1, 0.1333)]  # cycles a degree, exponent
BELL = cv2.getGaussianKernel(11, 1.5, cv2.CV_64F)
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def naturalness(mean, deviation):
    """From the mean of the codes and the mean local deviation; at most 1."""
    a, b = 4.4, 10.1
    mode = (a - 1) / (a + b - 2)
    bright = np.exp(-0.5 * ((mean - 115.94) / 27.99) ** 2)
    return float(bright * beta.pdf(deviation / 64.29, a, b) / beta.pdf(mode, a, b))


def index(structure, natural):
    return 0.8012 * structure**0.3046 + (1 - 0.8012) * natural**0.7088


def local(plane):
    return cv2.sepFilter2D(plane, -1, BELL, BELL)[5:-5, 5:-5]


def halved(plane):
    kernel = np.full((2, 2), 0.25)
    return cv2.filter2D(plane, -1, kernel, anchor=(0, 0), borderType=cv2.BORDER_REFLECT)[::2, ::2]


def fidelity(light, codes):
    light = (light - light.min()) * ((2**32 - 1) / (light.max() - light.min()))
    product = 1.0
    for frequency, exponent in SCALES:
        sensitivity = 260 * (0.0192 + 0.114 * frequency) * np.exp(-((0.114 * frequency) ** 1.1))
        threshold = 128 / (1.4 * sensitivity)
        mx, my = local(light), local(codes)
        sx = np.sqrt(np.maximum(local(light * light) - mx * mx, 0))
        sy = np.sqrt(np.maximum(local(codes * codes) - my * my, 0))
        seen = [ndtr((s - threshold) * 3 / threshold) for s in (sx, sy)]
        shape = (local(light * codes) - mx * my + 10) / (sx * sy + 10)
        strength = (2 * seen[0] * seen[1] + 0.01) / (seen[0] ** 2 + seen[1] ** 2 + 0.01)
        product *= max(float((strength * shape).mean()), 1e-9) ** exponent
        light, codes = halved(light), halved(codes)
    return product


def spread(codes):
    rows, columns = (n - n % 11 for n in codes.shape)
    blocks = codes[:rows, :columns].reshape(rows // 11, 11, columns // 11, 11)
    return float(np.std(blocks, axis=(1, 3), ddof=1).mean())


def smaller(picture, side):
    factor = max(1, round(max(picture.shape[:2]) / side)) if side else 1
    rows, columns = (n // factor for n in picture.shape[:2])
    cut = picture[: rows * factor, : columns * factor]
    return cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float64) @ LUMINANCE


def opencv_renderings(light):
    bgr = np.ascontiguousarray(np.maximum(light, 0)[..., ::-1], np.float32)
    made = {
        "gamma 1": cv2.createTonemap(1.0), "gamma 2.2": cv2.createTonemap(2.2),
        "Drago 1": cv2.createTonemapDrago(1.0), "Drago 2.2": cv2.createTonemapDrago(2.2),
        "Reinhard 1": cv2.createTonemapReinhard(1.0), "Reinhard 1.5": cv2.createTonemapReinhard(1.5, 0, 0, 0),
        "Reinhard 2.2": cv2.createTonemapReinhard(2.2, 0, 0, 0),
        "Reinhard 2.2, local": cv2.createTonemapReinhard(2.2, 0, 1, 0),
        "Mantiuk 1": cv2.createTonemapMantiuk(1.0), "Mantiuk 2.2": cv2.createTonemapMantiuk(2.2, 0.85, 1.2),
    }
    for name, operator in made.items():
        picture = np.nan_to_num(operator.process(bgr))[..., ::-1]
        yield name, np.round(np.clip(picture, 0, 1) * 255).astype(np.float32)


def own_renderings(program, path):
    with tempfile.TemporaryDirectory() as folder:
        for tone in ("default-look", "photographic", "logarithmic", "bilateral"):
            out = f"{folder}/{tone}.png"
            subprocess.run([program, "render", "--quiet", path, "--tone", tone, "--out", out], check=True)
            yield f"own {tone}", np.round(cv2.imread(out, -1)[..., ::-1] / 257).astype(np.float32)


def check_values():
    rows = [(naturalness(115.94, 17.487), 1), (naturalness(128, 20), 0.8707), (naturalness(90, 30), 0.2404),
            (index(0.8, 0.5), 0.87018), (index(0.9, 0.9), 0.96039)]
    for found, wanted in rows:
        assert abs(found - wanted) < 5e-5, (found, wanted)


def main():
    check_values()
    arguments = sys.argv[1:]
    side = 1000
    if "--side" in arguments:
        at = arguments.index("--side")
        side = int(arguments[at + 1])
        del arguments[at : at + 2]
    rows = {}
    for path in arguments[1:]:
        import OpenEXR

        channels = OpenEXR.File(path, separate_channels=True).channels()
        light = np.stack([np.asarray(channels[c].pixels, np.float32) for c in "RGB"], -1)
        small = smaller(light, side)
        for source in (own_renderings(arguments[0], path), opencv_renderings(light)):
            for name, picture in source:
                codes = smaller(picture, side)
                s, n = fidelity(small, codes), naturalness(codes.mean(), spread(codes))
                rows.setdefault(name, []).append((index(s, n), s, n))
                print(f"{pathlib.Path(path).parent.name:14} {name:20} {index(s, n):.4f}  structure {s:.4f}  naturalness {n:.4f}", flush=True)
    for name, scores in rows.items():
        q, s, n = np.mean(scores, axis=0)
        print(f"{'mean':14} {name:20} {q:.4f}  structure {s:.4f}  naturalness {n:.4f}")


if __name__ == "__main__":
    main()
