"""Contact sheet of scenes by all operators and the reference frame, with measurements of each picture.

    python looks.py --program stopspan --out FOLDER NAME=MAP.exr[,FRAME] ...

FRAME is the reference frame of the bracket (its size is the map's). Without one, the reference is synthetic: the map at one
exposure that brings its mean log luminance to mid grey, encoded after IEC 61966-2-1. With --pictures FOLDER, pictures that are
there already (NAME_OPERATOR.png) are measured instead of rendered. Figures go to FOLDER/looks.csv, sheets to FOLDER/NAME.png.

What is measured, all in CIE L*a*b* (D65) of the 8-bit picture:
  fair     share of pixels whose codes in the reference all lie within 16..239; where it is less than half, the frame is no
           well-exposed picture of the scene, and mid, chroma and hue tell little
  mid      median difference of L* from the reference, over those pixels
  chroma   median ratio of C*ab to the reference's, over those of them with C*ab > 8 there
  hue      median absolute difference of hue, degrees, over those of them with C*ab > 12 in both
  clipped  of the pixels that the reference clips (a code of 254 or more) and the map holds: share within L* 4..97
  crushed  of those that it sinks (all codes 6 or less) and the map holds at an SNR of 3: the same share
  windows  share of 15 x 15 windows, nine tenths of them lost in the reference, whose deviation of L* is at least
           0.35 of that at the exposure that shows the window best
  real     the same share of those windows whose variance of log luminance is at least twice what the map's uncertainty
           accounts for: in the others the contrast is that of noise
  black    share of L* < 3 among pixels the map holds; white: of L* > 98
  noise    90 % quantile, over the darkest tenth of 15 x 15 windows that are smooth once averaged 5 x 5, of the
           deviation of L* within them
The limits these are held to are the project's own; no standard has any.
"""
import argparse
import csv
import subprocess
from pathlib import Path

import cv2
import numpy as np
import OpenEXR

OPERATORS = ["default-look", "photographic", "logarithmic", "bilateral"]
LIGHTS = np.array([0.2126, 0.7152, 0.0722])
CLIPPED_IN_ALL = 1


def read_map(path):
    """Radiance (rows, columns, 3), uncertainty of green or None, and flags."""
    with OpenEXR.File(str(path), separate_channels=True) as file:
        channels = {name: channel.pixels for name, channel in file.channels().items()}
    names = ["R", "G", "B"] if "R" in channels else ["Y", "Y", "Y"]
    light = np.stack([channels[n].astype(np.float32) for n in names], 2)
    light = np.nan_to_num(light, nan=0.0, posinf=1e6, neginf=0.0)
    sigma = channels.get("sigma.G", channels.get("sigma.Y"))
    flags = channels.get("flags", np.zeros(light.shape[:2], np.uint32))
    return light, None if sigma is None else sigma.astype(np.float32), flags


def lab(bgr):
    return cv2.cvtColor(bgr.astype(np.float32) / 255, cv2.COLOR_BGR2Lab)


def encoded(light):
    """Codes 0..255 of IEC 61966-2-1, BGR."""
    v = np.clip(light, 0, 1)
    level = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)
    return np.round(255 * level[..., ::-1]).astype(np.uint8)


def deviation(plane, side=15):
    mean = cv2.blur(plane, (side, side))
    return np.sqrt(np.maximum(cv2.blur(plane * plane, (side, side)) - mean * mean, 0))


def best_deviation(light):
    """Largest deviation of L* in each window over exposures a stop apart."""
    y = light @ LIGHTS
    positive = y[y > 0]
    first, last = np.log2(np.percentile(positive, [0.01, 99.999]))
    best = np.zeros(y.shape, np.float32)
    for stops in np.arange(first - 1, last + 3):
        np.maximum(best, deviation(lab(encoded(light / 2.0**stops))[..., 0]), out=best)
    return best


def measure(picture, reference, light, sigma, flags, best):
    ours, theirs = lab(picture), lab(reference)
    held = (flags & CLIPPED_IN_ALL) == 0
    y = light @ LIGHTS
    seen_dark = held & (y > 0) & ((sigma is None) | (light[..., 1] >= 3 * (0 if sigma is None else sigma)))
    codes = reference
    middle = ((codes >= 16) & (codes <= 239)).all(2)
    clipped = (codes >= 254).any(2) & held
    crushed = (codes <= 6).all(2) & seen_dark
    chroma, known = np.hypot(ours[..., 1], ours[..., 2]), np.hypot(theirs[..., 1], theirs[..., 2])
    angle = np.degrees(np.arctan2(ours[..., 2], ours[..., 1]) - np.arctan2(theirs[..., 2], theirs[..., 1]))
    angle = np.abs((angle + 180) % 360 - 180)
    inside = (ours[..., 0] >= 4) & (ours[..., 0] <= 97)
    lost = cv2.blur((clipped | crushed).astype(np.float32), (15, 15)) >= 0.9
    lost &= best > 1
    spread = deviation(ours[..., 0])
    coloured, both = middle & (known > 8), middle & (known > 12) & (chroma > 12)

    def median(values):
        return float(np.median(values)) if values.size > 200 else float("nan")

    def share(part, whole):
        return float(part[whole].mean()) if whole.sum() > 200 else float("nan")

    level = np.log2(np.maximum(y, 1e-9)).astype(np.float32)
    noise = 0 if sigma is None else 1.4427 * sigma / np.maximum(light[..., 1], 1e-9)
    real = lost & (deviation(level) ** 2 >= 2 * cv2.blur(np.broadcast_to(noise, y.shape).astype(np.float32) ** 2, (15, 15)))
    smooth = deviation(cv2.blur(ours[..., 0], (5, 5)))
    dark = (y <= np.percentile(y, 10)) & (smooth < 1.0)
    return {
        "fair": float(middle.mean()),
        "mid": median((ours[..., 0] - theirs[..., 0])[middle]),
        "chroma": median((chroma / np.maximum(known, 1e-3))[coloured]),
        "hue": median(angle[both]),
        "clipped": share(inside, clipped),
        "crushed": share(inside, crushed),
        "windows": share(spread >= 0.35 * best, lost),
        "real": share(spread >= 0.35 * best, real),
        "black": share(ours[..., 0] < 3, seen_dark),
        "white": share(ours[..., 0] > 98, held),
        "noise": float(np.percentile(spread[dark], 90)) if dark.sum() > 200 else float("nan"),
    }


def render(program, path, operator, out):
    command = [program, "render", str(path), "--tone", operator, "--out", str(out), "--overwrite", "-q"]
    subprocess.run(command, check=True)


def sheet(pictures, width=760):
    tiles = []
    for name, picture in pictures.items():
        rows, columns = picture.shape[:2]
        size = (width, rows * width // columns)
        tile = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        cv2.putText(tile, name, (8, 22), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (0, 0, 0), 3)
        cv2.putText(tile, name, (8, 22), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (255, 255, 255), 1)
        tiles.append(tile)
    while len(tiles) % 3:
        tiles.append(np.zeros_like(tiles[0]))
    return np.vstack([np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)])


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", default="stopspan")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--operators", nargs="+", default=OPERATORS)
    parser.add_argument("--no-sheets", action="store_true")
    parser.add_argument("scenes", nargs="+", metavar="NAME=MAP[,FRAME]")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for scene in asked.scenes:
        name, files = scene.split("=", 1)
        path, *frame = files.split(",")
        light, sigma, flags = read_map(path)
        y = light @ LIGHTS
        key = np.exp(np.log(y[y > 0]).mean())
        reference = cv2.imread(frame[0]) if frame else encoded(light * (0.18 / key))
        if reference.shape != light.shape:
            raise SystemExit(f"{name}: frame {reference.shape}, map {light.shape}")
        best = best_deviation(light)
        pictures = {"reference": reference}
        for operator in ["reference", *asked.operators]:
            if operator != "reference":
                file = (asked.pictures or asked.out) / f"{name}_{operator}.png"
                if not asked.pictures:
                    render(asked.program, path, operator, file)
                pictures[operator] = cv2.imread(str(file))
            found = measure(pictures[operator], reference, light, sigma, flags, best)
            rows.append({"scene": name, "operator": operator, **found})
            print(name, operator, " ".join(f"{k} {v:.3f}" for k, v in found.items()), flush=True)
        if not asked.no_sheets:
            cv2.imwrite(str(asked.out / f"{name}.png"), sheet(pictures))
    with open(asked.out / "looks.csv", "w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
