"""Times the floor, `stopspan merge` and the reference library on the same frames in one run; prints a table.

    pip install -r tests/bench/requirements.txt
    cargo build --release
    python tests/bench/compare.py FRAME=SECONDS FRAME=SECONDS ...

The seconds are the exposure times, which the reference library must be told. Each row is the quickest of five rounds,
seconds of wall clock. The reference library decodes, registers by median threshold bitmaps (translation only),
recovers the response (Debevec and Malik 1997) and merges; it writes no file and gives no uncertainty.
"""
import pathlib
import subprocess
import sys
import tempfile
import time

import cv2
import numpy

ROUNDS = 5
ROOT = pathlib.Path(__file__).resolve().parents[2]


def quickest(job):
    seconds = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        job()
        seconds.append(time.perf_counter() - begun)
    return min(seconds)


def reference(files, times):
    frames = [cv2.imread(file, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION) for file in files]
    cv2.createAlignMTB().process(frames, frames)
    times = numpy.array(times, numpy.float32)
    response = cv2.createCalibrateDebevec().process(frames, times)
    cv2.createMergeDebevec().process(frames, times, response)


def main(arguments):
    pairs = [argument.rsplit("=", 1) for argument in arguments]
    if len(pairs) < 2 or any(len(pair) != 2 for pair in pairs):
        sys.exit(__doc__)
    files = [str(pathlib.Path(file).resolve()) for file, _ in pairs]
    times = [float(seconds) for _, seconds in pairs]
    with tempfile.TemporaryDirectory() as folder:
        result = str(pathlib.Path(folder) / "map.exr")
        merge = [str(ROOT / "target/release/stopspan"), "merge", "--quiet", "--overwrite", "--out", result, *files]
        merged = quickest(lambda: subprocess.run(merge, check=True, stdout=subprocess.DEVNULL))
        floor = ["cargo", "bench", "--quiet", "--bench", "floor", "--", result, *files]
        told = subprocess.run(floor, check=True, cwd=ROOT, capture_output=True, text=True).stdout
    least = float(told.split("floor ")[1].split()[0])
    other = quickest(lambda: reference(files, times))
    print(f"{'what':44} {'s':>8} {'x floor':>8}")
    rows = [
        ("floor: decode, write the map", least),
        ("stopspan merge", merged),
        (f"reference library {cv2.__version__}, no file", other),
    ]
    for name, seconds in rows:
        print(f"{name:44} {seconds:8.3f} {seconds / least:8.2f}")


if __name__ == "__main__":
    main(sys.argv[1:])
