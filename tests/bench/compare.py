"""Times the floor, `stopspan merge`, `stopspan run` and the reference library on the same frames in one run.

    pip install -r tests/bench/requirements.txt
    cargo build --release
    python tests/bench/compare.py $(python tests/bench/frames.py FOLDER MEGAPIXELS FRAMES)

The arguments are FRAME=SECONDS. Each row is the quickest of the rounds, seconds of wall clock of a whole process, with its
largest resident memory (of the floor: one process, the map read before the clock starts). The floor decodes the frames
side by side and writes the map that `merge` wrote. The reference library decodes, registers by median
threshold bitmaps (translation only), recovers the response (Debevec and Malik 1997), merges, and in the second row renders
as well; it writes no file and gives no uncertainty. With `--no-reference` it is left out.
"""
import os
import pathlib
import subprocess
import sys
import tempfile
import time

ROUNDS = int(os.environ.get("ROUNDS", "5"))
ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "target/release/stopspan"


def quickest(command, before=lambda: None):
    """Seconds of wall clock and of CPU of the quickest round, and the largest resident memory, MiB."""
    best = None
    for _ in range(ROUNDS):
        before()
        begun = time.perf_counter()
        child = subprocess.Popen([str(word) for word in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - begun
        if status:
            sys.exit(f"failed: {command}")
        row = (seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
        best = row if best is None or row < best else best
    return best


def reference(pairs, render):
    import cv2
    import numpy

    files = [file for file, _ in pairs]
    times = numpy.array([seconds for _, seconds in pairs], numpy.float32)
    frames = [cv2.imread(file, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION) for file in files]
    begun = time.perf_counter()
    cv2.createAlignMTB().process(frames, frames)
    response = cv2.createCalibrateDebevec().process(frames, times)
    radiance = cv2.createMergeDebevec().process(frames, times, response)
    if render:
        cv2.createTonemapDrago(2.2).process(radiance)
    return time.perf_counter() - begun


def measured(pairs, with_reference, with_run=True):
    """Rows of (name, (seconds, CPU seconds, MiB)), and the floors by name."""
    files = [str(pathlib.Path(file).resolve()) for file, _ in pairs]
    exposures = [w for file, s in pairs for w in ("--exposure", f"{pathlib.Path(file).name}={s}")]
    with tempfile.TemporaryDirectory() as folder:
        result, out = pathlib.Path(folder) / "map.exr", pathlib.Path(folder) / "out"
        common = ["--quiet", "--overwrite", *exposures]
        rows = [("stopspan merge", quickest([PROGRAM, "merge", *common, "--out", result, *files]))]
        still = [PROGRAM, "merge", "--no-motion", *common, "--out", result, *files]
        rows.append(("stopspan merge --no-motion", quickest(still)))
        if with_run:
            whole = [PROGRAM, "run", *common, "--one-bracket", "--out", out, *files]
            rows.append(("stopspan run", quickest(whole)))
            bare = [*whole, "--no-wedge", "--sheet-look", "none"]
            rows.append(("stopspan run --no-wedge --sheet-look none", quickest(bare)))
        bench = ["cargo", "bench", "--quiet", "--bench", "floor", "--", result, *files]
        told = subprocess.run(bench, check=True, cwd=ROOT, capture_output=True, text=True).stdout
    floors = {name: float(value) for name, value in (line.split() for line in told.splitlines() if "floor" in line)}
    if with_reference:
        again = [sys.executable, __file__, "--reference", *(f"{file}={seconds}" for file, seconds in pairs)]
        rows.append(("reference library", quickest(again)))
        rows.append(("reference library with rendering", quickest([*again, "--render"])))
    return rows, floors


def main(arguments):
    wanted = [a for a in arguments if not a.startswith("--")]
    pairs = [(file, float(seconds)) for file, seconds in (a.rsplit("=", 1) for a in wanted)]
    if len(pairs) < 2:
        sys.exit(__doc__)
    if "--reference" in arguments:
        reference(pairs, render="--render" in arguments)
        return
    rows, floors = measured(pairs, "--no-reference" not in arguments)
    floor, run_floor = floors["floor"], floors["run-floor"]
    print(f"{'':44} {'wall s':>8} {'CPU s':>8} {'x floor':>8} {'MiB':>7}")
    print(f"{'floor of a merge: decode, write the map':44} {floor:8.3f}")
    print(f"{'floor of a run: the other files too':44} {run_floor:8.3f}")
    for name, (wall, cpu, memory) in rows:
        print(f"{name:44} {wall:8.3f} {cpu:8.3f} {wall / (run_floor if ' run' in name else floor):8.2f} {memory:7.0f}")


if __name__ == "__main__":
    main(sys.argv[1:])
