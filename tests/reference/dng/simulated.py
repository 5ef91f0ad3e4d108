"""What outside readers make of the DNG files that the simulator writes: simulated.csv.

    python simulated.py PATH/TO/stopspan

Samples are those of rawpy (LibRaw), of tifffile where LibRaw does not read the variety (deflated integers); levels,
filters, white balance and matrix are rawpy's, or tifffile's tags.
"""
import csv
import hashlib
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import rawpy
import tifffile

HERE = Path(__file__).parent


def by_rawpy(path):
    with rawpy.imread(str(path)) as raw:
        levels = (raw.black_level_per_channel[0], raw.white_level)
        if raw.num_colors == 1:
            return raw.raw_image.copy(), *levels, "mono", np.ones(3)
        neutral = 1 / np.array(raw.camera_whitebalance[:3])
        pattern = "".join("RGBG"[i] for i in raw.raw_pattern.ravel())
        return raw.raw_image.copy(), *levels, pattern, neutral / neutral[1]


def by_tifffile(path):
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        tags = {tag.code: tag.value for tag in page.tags.values()}
        black = tags[50714]
        black = black[0] / black[1] if isinstance(black, tuple) else black
        pattern = "".join("RGB"[i] for i in tags[33422]) if 33422 in tags else "mono"
        neutral = np.ones(3)
        if 50728 in tags:
            n = np.array(tags[50728], float)
            neutral = n[::2] / n[1::2]
        return page.asarray(), black, tags[50717], pattern, neutral


def main():
    rows = []
    for kind in ("dng", "dng-deflate", "dng-mono"):
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "out"
            command = [sys.argv[1], "simulate", HERE / "simulated.json", "--format", kind, "--out", out]
            subprocess.run(command, check=True, capture_output=True)
            path = out / "s_one.dng"
            seen = {}
            for name, read in (("rawpy", by_rawpy), ("tifffile", by_tifffile)):
                try:
                    seen[name] = read(path)
                except Exception as problem:  # a variety that this reader does not read
                    print(kind, name, repr(problem))
            if len(seen) == 2:
                a, b = seen.values()
                assert (a[0] == b[0]).all() and a[1:4] == b[1:4] and np.allclose(a[4], b[4], atol=1e-5), kind
            reader, (samples, black, white, pattern, neutral) = next(iter(seen.items()))
            flat = np.ascontiguousarray(samples).astype("<u2")
            digest = hashlib.sha256(flat.tobytes()).hexdigest()
            rows.append([kind, "+".join(seen), *flat.shape[:2], digest, black, white, pattern, *(f"{n:.6f}" for n in neutral)])
    with open(HERE / "simulated.csv", "w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow("kind readers rows columns sha256 black white filters red green blue".split())
        writer.writerows(rows)


if __name__ == "__main__":
    main()
