"""Speed of a raw bracket: three 12-megapixel DNG files written, merged, and decoded by a raw library for comparison.

    python raw.py PATH/TO/stopspan

Frames are 14 bits in 16, 30 000 electrons, 4 electrons of read noise, 2 EV apart: plain strips, deflated strips, and lossless JPEG
in tiles of 256 x 256 (imagecodecs). Times are the least of three, files in the page cache; CPU times do
not mind other work on the machine much. `rawpy` unpacks lossless JPEG and plain strips; deflated integers it does not read.
"""
import resource
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import numpy as np
import rawpy

ROWS, COLUMNS, TILE = 3000, 4000, 256
BYTE, ASCII, SHORT, LONG, RATIONAL, SRATIONAL = 1, 2, 3, 4, 5, 10
LETTERS = {BYTE: "B", SHORT: "H", LONG: "I", RATIONAL: "I", SRATIONAL: "i"}


def save(path, tags, pieces, places, lengths):
    """A little-endian TIFF structure: pieces, values, one directory. `places` and `lengths` are the tags of the pieces."""
    data = bytearray(b"II*\0\0\0\0\0")
    offsets = []
    for piece in pieces:
        data += b"\0" * (len(data) % 2)
        offsets.append(len(data))
        data += piece
    tags = {**tags, places: (LONG, offsets), lengths: (LONG, [len(p) for p in pieces])}
    entries = []
    for tag, (kind, values) in sorted(tags.items()):
        value = struct.pack(f"<{len(values)}{LETTERS[kind]}", *values)
        count = len(values) // (2 if kind in (RATIONAL, SRATIONAL) else 1)
        if len(value) > 4:
            data += b"\0" * (len(data) % 2)
            place = len(data)
            data += value
            value = struct.pack("<I", place)
        entries.append(struct.pack("<HHI", tag, kind, count) + value.ljust(4, b"\0"))
    data += b"\0" * (len(data) % 2)
    data[4:8] = struct.pack("<I", len(data))
    data += struct.pack("<H", len(entries)) + b"".join(entries) + bytes(4)
    path.write_bytes(data)


def frame(rng, exposure):
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    light = np.exp2(-9 + 9.5 * x / COLUMNS + 0.8 * np.sin(x / 37) * np.cos(y / 53) + 0.5 * np.sin(y / 11))
    light *= np.where((y % 2 == 0) & (x % 2 == 0), 0.5, np.where((y % 2 == 1) & (x % 2 == 1), 0.66, 1))
    electrons = rng.poisson(light * exposure * 30000) + rng.normal(0, 4, light.shape)
    return np.clip(np.round(np.minimum(electrons, 30000) * (16383 - 512) / 30000 + 512), 0, 16383).astype("<u2")


def write(folder, how, index, codes, seconds):
    tags = {
        254: (LONG, [0]), 256: (LONG, [COLUMNS]), 257: (LONG, [ROWS]), 258: (SHORT, [16]), 262: (SHORT, [32803]),
        277: (SHORT, [1]), 284: (SHORT, [1]), 33421: (SHORT, [2, 2]), 33422: (BYTE, [0, 1, 1, 2]),
        33434: (RATIONAL, seconds), 33437: (RATIONAL, [56, 10]), 34855: (SHORT, [200]),
        50706: (BYTE, [1, 4, 0, 0]), 50707: (BYTE, [1, 1, 0, 0]), 50714: (SHORT, [512]), 50717: (SHORT, [16383]),
        50721: (SRATIONAL, [9, 10, -3, 10, -1, 10, -4, 10, 12, 10, 2, 10, -5, 100, 15, 100, 6, 10]), 50778: (SHORT, [21]),
        50728: (RATIONAL, [50, 100, 1, 1, 66, 100]),
    }
    strips = (273, 279)
    if how == "plain":
        tags |= {259: (SHORT, [1]), 278: (LONG, [ROWS])}
        save(folder / f"{index}.dng", tags, [codes.tobytes()], *strips)
    elif how == "deflate":
        tags |= {259: (SHORT, [8]), 278: (LONG, [64])}
        pieces = [zlib.compress(codes[top : top + 64].tobytes(), 6) for top in range(0, ROWS, 64)]
        save(folder / f"{index}.dng", tags, pieces, *strips)
    else:
        tags |= {259: (SHORT, [7]), 322: (LONG, [TILE]), 323: (LONG, [TILE])}
        wide = np.pad(codes, [(0, -ROWS % TILE), (0, -COLUMNS % TILE)], mode="edge")
        tiles = [wide[t : t + TILE, l : l + TILE] for t in range(0, ROWS, TILE) for l in range(0, COLUMNS, TILE)]
        pieces = [bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(t), bitspersample=14)) for t in tiles]
        save(folder / f"{index}.dng", tags, pieces, 324, 325)


def spent():
    """CPU seconds of this process and of its children that ended."""
    return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def best(job):
    """The least wall and CPU seconds of three."""
    times = []
    for _ in range(3):
        start = (time.perf_counter(), spent())
        job()
        times.append((time.perf_counter() - start[0], spent() - start[1]))
    return "{:.2f} s wall, {:.2f} s CPU".format(*map(min, zip(*times)))


def unpack(file):
    with rawpy.imread(str(file)) as raw:
        return int(raw.raw_image[0, 0])


def main():
    rng = np.random.default_rng(1)
    frames = [(frame(rng, k), s) for k, s in ((0.25, [1, 240]), (1, [1, 60]), (4, [1, 15]))]
    with tempfile.TemporaryDirectory() as scratch:
        for how in ("plain", "deflate", "lossless-jpeg"):
            folder = Path(scratch) / how
            folder.mkdir()
            for index, (codes, seconds) in enumerate(frames):
                write(folder, how, index, codes, seconds)
            files = sorted(folder.glob("*.dng"))
            command = [sys.argv[1], "merge", *files, "--out", folder / "map.exr", "--overwrite", "--quiet"]
            merged = best(lambda: subprocess.run(command, check=True, capture_output=True))
            line = f"{how}: {sum(f.stat().st_size for f in files) / 1e6:.0f} MB, merged in {merged}"
            if how != "deflate":
                serial = best(lambda: [unpack(f) for f in files])
                with ThreadPoolExecutor(3) as pool:
                    side = best(lambda: list(pool.map(unpack, files)))
                line += f"; rawpy unpacks in {serial} one by one, {side} side by side"
            print(line, flush=True)


if __name__ == "__main__":
    main()
