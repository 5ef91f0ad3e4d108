"""Writes chart_differences.csv: the 24 patches of ../../published/colour_chart_24.csv (xyY, ICC D50) adapted to D65 and encoded
in 8 bits after IEC 61966-2-1 by colour-science (versions in requirements.txt), the L*a*b* of those codes against D65, and the
CIEDE2000 of each from the patch before it (of the first from the last). Then the codes of a camera that makes the same patches
warmer, and their CIEDE2000 from the patches scaled to the same Y; shifts of a* and b* likewise."""

import csv
from pathlib import Path

import colour
import numpy

HERE = Path(__file__).parent
D50 = numpy.array([0.345703, 0.358539])
D65 = numpy.array([0.3127, 0.3290])

# Without this the library takes the standard's rounded matrix.
space = colour.RGB_COLOURSPACES["sRGB"].copy()
space.use_derived_transformation_matrices(True)


def encoded(light):
    return numpy.clip(numpy.round(255 * colour.cctf_encoding(numpy.clip(light, 0, 1), "sRGB")), 0, 255)


with open(HERE / "../../published/colour_chart_24.csv", newline="") as file:
    patches = [row for row in csv.DictReader(file)]
xyz = colour.xyY_to_XYZ([[float(p[k]) for k in "xyY"] for p in patches])
linear = colour.XYZ_to_RGB(xyz, space, D50, chromatic_adaptation_transform="Bradford")
codes = encoded(linear)
back = colour.RGB_to_XYZ(colour.cctf_decoding(codes / 255, "sRGB"), space, None, None)
lab = colour.XYZ_to_Lab(back, D65)
apart = colour.delta_E(lab, numpy.roll(lab, 1, axis=0), method="CIE 2000")
warm = encoded(colour.cctf_decoding(codes / 255, "sRGB") * [1.06, 1.0, 0.90])
seen = colour.RGB_to_XYZ(colour.cctf_decoding(warm / 255, "sRGB"), space, None, None)
seen_lab = colour.XYZ_to_Lab(seen, D65)
matched = colour.XYZ_to_Lab(back * (seen[:, 1:2] / back[:, 1:2]), D65)
shift = colour.delta_E(matched, seen_lab, method="CIE 2000")
with open(HERE / "chart_differences.csv", "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow("patch red green blue L a b from_the_one_before warm_red warm_green warm_blue warm_difference warm_a warm_b".split())
    for i, patch in enumerate(patches):
        row = [patch["patch"], *(int(c) for c in codes[i]), *(f"{v:.6f}" for v in lab[i]), f"{apart[i]:.6f}"]
        moved = seen_lab[i] - matched[i]
        out.writerow([*row, *(int(c) for c in warm[i]), f"{shift[i]:.6f}", f"{moved[1]:.6f}", f"{moved[2]:.6f}"])
