"""OpenCV's adaptive logarithmic operator on a ramp of grey light: logarithmic.csv.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python operators.py

Gamma 1 and saturation 1, so that the operator alone is left, up to a factor: OpenCV stretches its result to the whole display. It
does not where the picture holds black, of which it makes no number; black is in the ramp for that, and not in the table.
OpenCV's other operators follow other papers than ours.
"""

import pathlib

import cv2
import numpy as np

LIGHT = np.concatenate([[0.0], np.geomspace(0.001, 1.0, 60)]).astype(np.float32)


def main():
    picture = np.repeat(LIGHT[None, :, None], 3, axis=2)
    shown = cv2.createTonemapDrago(1.0, 1.0, 0.85).process(picture)
    rows = [f"{light:.9g},{display:.9g}" for light, display in zip(LIGHT[1:], shown[0, 1:, 1])]
    out = pathlib.Path(__file__).parent / "logarithmic.csv"
    out.write_text("\n".join(["light,display", *rows]) + "\n")


main()
