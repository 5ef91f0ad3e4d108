"""Makes brackets for timing: a textured scene of ten stops, shot noise, the sRGB curve, JPEG of quality 92 at 4:2:0.

    python tests/bench/frames.py FOLDER MEGAPIXELS FRAMES [tif|tif16] [drift]

Writes FOLDER/frame_00.jpg and so on, one stop apart, and prints FRAME=SECONDS for each, as compare.py wants them. With
`tif` the frames are written as uncompressed TIFF instead, with `tif16` in 16 bits. With
`drift` the camera is held by hand: each frame lies 8 pixels and 0.3 degrees off the one before. Needs numpy and OpenCV
(requirements.txt).
"""
import pathlib
import sys

import cv2
import numpy

ROWS_AT_ONCE = 512


def scene(rows, columns, seed=7):
    """log2 radiance: noise of many sizes, half as strong at every halving of its size."""
    random = numpy.random.default_rng(seed)
    total = numpy.zeros((rows, columns), numpy.float32)
    size, strength = 4, 2.2
    while size < columns:
        coarse = random.standard_normal((max(size * rows // columns, 2), size)).astype(numpy.float32)
        total += strength * cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
        size, strength = size * 2, strength * 0.66
    return numpy.clip(total - 2.5, -8.0, 2.0)


def developed(light, depth):
    light = numpy.clip(light, 0, 1)
    level = numpy.where(light <= 0.0031308, 12.92 * light, 1.055 * numpy.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return numpy.round(level * numpy.iinfo(depth).max).astype(depth)


def frame(radiance, exposure, seed, depth):
    random = numpy.random.default_rng(seed)
    out = numpy.empty((*radiance.shape, 3), depth)
    for top in range(0, radiance.shape[0], ROWS_AT_ONCE):
        part = numpy.exp2(radiance[top : top + ROWS_AT_ONCE])
        for channel, share in enumerate((0.7, 1.0, 0.85)):
            electrons = part * (exposure * share * 9000)
            noise = random.standard_normal(part.shape, numpy.float32) * numpy.sqrt(electrons + 16)
            out[top : top + ROWS_AT_ONCE, :, channel] = developed((electrons + noise) / 9000, depth)
    return out


def drifted(radiance, steps):
    """The scene as seen `steps` of a drift away from the middle; mirrored beyond its borders."""
    rows, columns = radiance.shape
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), 0.3 * steps, 1.0)
    turn[:, 2] += numpy.array([6.4, 4.8]) * steps
    return cv2.warpAffine(radiance, turn, (columns, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def main(arguments):
    options = arguments[3:]
    if len(arguments) < 3 or set(options) - {"tif", "tif16", "drift"}:
        sys.exit(__doc__)
    folder = pathlib.Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    rows = round((float(arguments[1]) * 1e6 * 3 / 4) ** 0.5)
    radiance = scene(rows, rows * 4 // 3)
    count, kind = int(arguments[2]), next((o for o in options if o != "drift"), "jpg")
    depth = numpy.uint16 if kind == "tif16" else numpy.uint8
    for index in range(count):
        stops = index - (count - 1) / 2
        seen = drifted(radiance, stops) if "drift" in options else radiance
        picture = frame(seen, 0.5 * 2.0**stops, index, depth)
        name = folder / f"frame_{index:02}.{kind.removesuffix('16')}"
        parameters = [cv2.IMWRITE_JPEG_QUALITY, 92] if name.suffix == ".jpg" else [cv2.IMWRITE_TIFF_COMPRESSION, 1]
        assert cv2.imwrite(str(name), picture, parameters)
        print(f"{name}={2.0**stops / 60:.6f}")


if __name__ == "__main__":
    main(sys.argv[1:])
