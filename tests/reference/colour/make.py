"""Colours of three RGB spaces in sRGB by LittleCMS, and the profiles they were converted with, beside this script.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python make.py

The profiles are built here from the primaries of the standards with colour-science's matrices, independently of the
project: Display P3 (version 4, parametric curve, chromatic adaptation tag), Adobe RGB (1998) (version 2, one-number curve,
white of D65), ROMM RGB (version 2, D50), and Display P3 once more by look-up tables alone (version 2, lut16Type: a gamma of 2.2,
corners of the cube in XYZ). Conversion: relative colorimetric, 8 bits a sample, as Pillow's ImageCms does it.
"""

import csv
import io
import pathlib
import struct

import colour
import numpy as np
from PIL import Image, ImageCms

HERE = pathlib.Path(__file__).parent
D50 = np.array([0.9642, 1.0, 0.8249])


def number(value):
    return struct.pack(">i", round(value * 65536))


def xyz(values):
    return b"XYZ \0\0\0\0" + b"".join(number(v) for v in values)


def profile(space, major, curve, white, adaptation=None, by_tables=False):
    to_xyz = colour.RGB_COLOURSPACES[space].matrix_RGB_to_XYZ
    own = colour.xy_to_XYZ(colour.RGB_COLOURSPACES[space].whitepoint)
    chad = colour.adaptation.matrix_chromatic_adaptation_VonKries(own, D50, "Bradford")
    colorants = chad @ to_xyz
    tags = [(b"desc", b"desc\0\0\0\0" + struct.pack(">I", 2) + b"x\0" + bytes(78)),
            (b"cprt", b"text\0\0\0\0none\0"), (b"wtpt", xyz(white if white is not None else own))]
    if by_tables:
        tags.append((b"A2B0", curve))
    else:
        tags += [(name, xyz(colorants[:, k])) for k, name in enumerate([b"rXYZ", b"gXYZ", b"bXYZ"])]
        tags += [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    if adaptation:
        tags.append((b"chad", b"sf32\0\0\0\0" + b"".join(number(v) for v in chad.flatten())))
    table, data, begin = struct.pack(">I", len(tags)), b"", 128 + 4 + 12 * len(tags)
    for name, value in tags:
        table += name + struct.pack(">II", begin + len(data), len(value))
        data += value + bytes(-len(value) % 4)
    head = struct.pack(">I4sI4s4s4s12s4s", begin + len(data), b"\0\0\0\0", major << 24, b"mntr", b"RGB ", b"XYZ ",
                       struct.pack(">6H", 2020, 1, 1, 0, 0, 0), b"acsp")
    head += bytes(68 - len(head)) + b"".join(number(v) for v in D50) + bytes(48)
    return head + table + data


def tables(space):
    """A version 2 profile without primaries: input curves, a cube of 2 x 2 x 2 colours in XYZ, straight output curves."""
    own = colour.xy_to_XYZ(colour.RGB_COLOURSPACES[space].whitepoint)
    chad = colour.adaptation.matrix_chromatic_adaptation_VonKries(own, D50, "Bradford")
    colorants = chad @ colour.RGB_COLOURSPACES[space].matrix_RGB_to_XYZ
    entries = 256
    curve = [round(65535 * (k / (entries - 1)) ** 2.2) for k in range(entries)]
    corners = [colorants @ (r, g, b) for r in (0, 1) for g in (0, 1) for b in (0, 1)]
    cube = [min(65535, max(0, round(v * 32768))) for corner in corners for v in corner]
    lut = b"mft2\0\0\0\0" + bytes([3, 3, 2, 0])
    lut += b"".join(number(v) for v in np.eye(3).flatten()) + struct.pack(">HH", entries, 2)
    lut += struct.pack(f">{3 * entries}H", *curve * 3) + struct.pack(">24H", *cube) + struct.pack(">6H", *[0, 65535] * 3)
    return profile(space, 2, lut, D50, None, by_tables=True)


def main():
    gamma = lambda g: b"curv\0\0\0\0" + struct.pack(">IH", 1, round(g * 256)) + bytes(2)
    srgb = b"para\0\0\0\0\0\3\0\0" + b"".join(number(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    spaces = {
        "display_p3": profile("Display P3", 4, srgb, D50, True),
        "adobe_rgb": profile("Adobe RGB (1998)", 2, gamma(563 / 256), None),
        "romm_rgb": profile("ROMM RGB", 2, gamma(1.8), D50),
        "tables": tables("Display P3"),
    }
    steps = [20, 70, 120, 170, 220]
    codes = np.array([(r, g, b) for r in steps for g in steps for b in steps], np.uint8)
    to = ImageCms.createProfile("sRGB")
    rows = []
    for name, data in spaces.items():
        (HERE / f"{name}.icc").write_bytes(data)
        source = ImageCms.ImageCmsProfile(io.BytesIO(data))
        transform = ImageCms.buildTransform(source, to, "RGB", "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
        picture = Image.fromarray(codes[None], "RGB")
        found = np.asarray(ImageCms.applyTransform(picture, transform))[0]
        rows += [[name, *a, *b] for a, b in zip(codes.tolist(), found.tolist())]
    with open(HERE / "to_srgb.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["space", "r", "g", "b", "srgb_r", "srgb_g", "srgb_b"])
        out.writerows(rows)


main()
