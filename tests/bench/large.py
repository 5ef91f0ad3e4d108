"""Tables of CPU time and memory at large sizes, and whether time grows as pixels and frames do.

    pip install -r tests/bench/requirements.txt
    cargo build --release
    python tests/bench/large.py FOLDER [3x12 3x48 9x24 9x100 ...] [--no-run] [--no-reference]

Makes the brackets in FOLDER with frames.py once (FRAMESxMEGAPIXELS; JPEG, from 100 megapixels on 16-bit TIFF: 5.4 GB) and calls
compare.py's commands on each, one round (ROUNDS). For each it prints CPU seconds and the largest resident memory beside the floor's and
the bytes of the decoded frames. Wall clock is printed, and is of use on an idle machine only. `--no-run` leaves out `stopspan run`,
`--no-reference` the reference library, which cannot do 16-bit frames. Of brackets of nine JPEG frames the first three, five and seven
are merged too, and one line of least squares laid through what merging takes over its floor:

    CPU seconds = a x megapixels of all frames + b x megapixels of the map

No process may take more than LIMIT GiB of address space (16), so that one that would is an error and not the end of its neighbours.
"""
import os
import pathlib
import resource
import subprocess
import sys

import compare

HERE = pathlib.Path(__file__).resolve().parent


def frames(folder, name):
    count, size = name.split("x")
    listed = folder / f"{name}.list"
    if not listed.exists():
        kind = ["tif16"] if float(size) >= 100 else []
        command = [sys.executable, HERE / "frames.py", folder / name, size, count, *kind]
        listed.write_text(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return [(file, float(seconds)) for file, seconds in (line.rsplit("=", 1) for line in listed.read_text().split())]


def decoded(pairs, size):
    """Bytes of the decoded frames, MiB."""
    return len(pairs) * float(size) * 1e6 * 3 * (2 if pairs[0][0].endswith("tif") else 1) / 2**20


def main(arguments):
    flags = {a for a in arguments if a.startswith("--")}
    folder, *names = [a for a in arguments if a not in flags]
    folder = pathlib.Path(folder).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    limit = int(os.environ.get("LIMIT", "16")) << 30
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    print(f"| frames x MP | | CPU s | x floor | MiB | x decoded | wall s |\n|---|---|---:|---:|---:|---:|---:|")
    points = []
    for name in names or ["3x12", "3x48", "9x24", "9x100"]:
        pairs, size = frames(folder, name), name.split("x")[1]
        deep = pairs[0][0].endswith("tif")
        parts = [3, 5, 7, 9] if len(pairs) == 9 and not deep else [len(pairs)]
        for part in parts:
            these = pairs[:part]
            whole = part == len(pairs)
            rows, floors = compare.measured(these, whole and not deep and "--no-reference" not in flags, whole and "--no-run" not in flags)
            label, bytes_ = f"{part} x {size}", decoded(these, size)
            print(f"| {label} | floor of a merge | {floors['floor-cpu']:.2f} | | | | {floors['floor']:.2f} |")
            for row, (wall, cpu, memory) in rows:
                floor = floors["run-floor-cpu"] if " run" in row else floors["floor-cpu"]
                print(f"| {label} | {row} | {cpu:.2f} | {cpu / floor:.1f} | {memory:.0f} | {memory / bytes_:.2f} | {wall:.2f} |", flush=True)
            points.append((label, part * float(size), float(size), rows[0][1][1] - floors["floor-cpu"]))
    if len(points) > 2:
        fit(points)


def fit(points):
    import numpy

    pixels = numpy.array([[all_frames, one] for _, all_frames, one, _ in points])
    seconds = numpy.array([s for *_, s in points])
    # Relative residuals: every size counts alike.
    (a, b), *_ = numpy.linalg.lstsq(pixels / seconds[:, None], numpy.ones(len(points)), rcond=None)
    print(f"\nmerge less floor: {1000 * a:.1f} ms CPU a megapixel of frames + {1000 * b:.1f} ms a megapixel of the map")
    for (label, *_), said, took in zip(points, pixels @ [a, b], seconds):
        print(f"  {label}: {took:.2f} s, line {said:.2f} s ({100 * (took / said - 1):+.0f} %)")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(sys.argv[1:])
