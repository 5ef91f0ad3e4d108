"""Phase registration by scikit-image: shifted pictures and what it says of them (versions in requirements.txt).

    v/bin/python shifts.py

A part of a frame of samples/valley, shifted in the frequency domain by known parts of a pixel, made lighter by a curve as a
camera's own picture would be, rounded to 8 bits; the shift by phase_cross_correlation, upsampled a hundred times.
"""

import csv
import pathlib

import numpy as np
from PIL import Image
from scipy.ndimage import fourier_shift
from skimage.registration import phase_cross_correlation

HERE = pathlib.Path(__file__).parent
ROWS, COLUMNS, MARGIN = 192, 256, 24
whole = np.asarray(Image.open(HERE / "../../../samples/valley/valley_nominal.jpg"))[..., 1] / 255.0
top, left = 760, 860
part = whole[top - MARGIN : top + ROWS + MARGIN, left - MARGIN : left + COLUMNS + MARGIN]
inner = (slice(MARGIN, MARGIN + ROWS), slice(MARGIN, MARGIN + COLUMNS))


def write(name, levels):
    codes = np.rint(255 * np.clip(levels, 0, 1)).astype(np.uint8)
    Image.fromarray(codes).save(HERE / name, optimize=True)
    return codes / 255.0


reference = write("shift_reference.png", part[inner])
with open(HERE / "shifts.csv", "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow("file right down found_right found_down".split())
    for index, (right, down) in enumerate([(0.0, 0.0), (2.37, -4.62), (-7.75, 5.4)]):
        moved = np.fft.ifft2(fourier_shift(np.fft.fft2(part), (down, right))).real[inner]
        name = f"shift_{index}.png"
        seen = write(name, np.clip(moved, 0, 1) ** 0.8)
        back, _, _ = phase_cross_correlation(reference, seen, upsample_factor=100)
        out.writerow([name, right, down, f"{-back[1]:.2f}", f"{-back[0]:.2f}"])
