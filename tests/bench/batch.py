"""Peak memory and time of a run over many small brackets, to see that neither grows with their number.

    cargo build --release
    python tests/bench/batch.py FOLDER

Makes one bracket of three 0.2-megapixel frames with frames.py and puts it into FOLDER under 30, then 300 names, each with times
of its own by `--exposure`; prints seconds a bracket and the largest resident memory of each run. Needs numpy and OpenCV.
"""
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
PROGRAM = HERE.parents[1] / "target/release/stopspan"


def main(folder):
    made = subprocess.run([sys.executable, HERE / "frames.py", folder / "one", "0.2", "3"], check=True, capture_output=True, text=True)
    pairs = [line.rsplit("=", 1) for line in made.stdout.split()]
    for count in (30, 300):
        inputs = folder / f"in{count}"
        brackets = [inputs / f"b{number:03}" for number in range(count)]
        for bracket in brackets:
            bracket.mkdir(parents=True)
            for file, _ in pairs:
                shutil.copy(file, bracket)
        stated = [w for file, seconds in pairs for w in ("--exposure", f"{pathlib.Path(file).name}={seconds}")]
        with tempfile.TemporaryDirectory(dir=folder) as out:
            begun = time.perf_counter()
            command = [PROGRAM, "run", "--quiet", "--no-wedge", *stated, "--out", out, *brackets]
            child = subprocess.Popen([str(word) for word in command], stdout=subprocess.DEVNULL)
            _, status, used = os.wait4(child.pid, 0)
            seconds = time.perf_counter() - begun
            done = len(list(pathlib.Path(out).glob("*/done.json")))
        cpu = used.ru_utime + used.ru_stime
        print(f"{done} brackets of {count}, exit {status >> 8}: {seconds / count:.3f} s wall and {cpu / count:.3f} s CPU each, {used.ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(pathlib.Path(sys.argv[1]).resolve())
