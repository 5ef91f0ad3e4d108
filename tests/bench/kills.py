"""Ends `stopspan run` and `stopspan merge` at random moments and looks at what is left, with other people's readers.

    cargo build --release
    python tests/bench/kills.py FOLDER [--kills 100] [--jobs run merge] [--signals KILL INT] [--program PROGRAM]

For each of run and merge, and each of KILL (kill -9) and INT (Ctrl-C), a hundred times: a bracket of three frames of 0.5 or
2 megapixels from frames.py, the signal after a uniform random share (seeded) of the time the last call that was left alone took. Then:
the inputs have their bytes; every file under a final name opens whole in Pillow, OpenEXR, OpenCV or the parsers of Python's own
library, and is the undisturbed call's byte for byte, but for the lines that tell the moment; after INT no temporary file is left; the next
call (of run in turn with --resume and with --overwrite, of merge with --overwrite) ends with 0 and leaves exactly the undisturbed
call's files. The first thing that is not so ends the study. Needs numpy, OpenCV, Pillow and OpenEXR (requirements.txt).
"""
import argparse
import csv
import hashlib
import html.parser
import json
import pathlib
import random
import shutil
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree

import cv2
import numpy
import OpenEXR
from PIL import Image

HERE = pathlib.Path(__file__).resolve().parent
NOTHING = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


class Page(html.parser.HTMLParser):
    """Counts what is open."""

    VOID = {"meta", "link", "img", "br", "hr", "input", "col", "source"}

    def __init__(self):
        super().__init__()
        self.open, self.seen = [], 0

    def handle_starttag(self, tag, attributes):
        self.seen += 1
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert tag in self.open, tag
        while self.open.pop() != tag:  # ends that HTML lets be left out
            pass


def opens(path):
    """Reads the whole file with software that is not ours; an exception if it is not whole."""
    kind = path.suffix
    if kind in (".jpg", ".png"):
        with Image.open(path) as picture:
            picture.load()
        assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED) is not None
    elif kind == ".exr":
        channels = OpenEXR.File(str(path), separate_channels=True).channels()
        assert all(numpy.isfinite(channels[c].pixels).all() for c in "RGB")
    elif kind == ".hdr":
        assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED).dtype == numpy.float32
    elif kind == ".json":
        json.loads(path.read_text("utf-8"))
    elif kind == ".svg":
        xml.etree.ElementTree.parse(path)
    elif kind == ".csv":
        lines = [row for row in csv.reader(path.open(newline="")) if row]
        assert lines and all(len(row) == len(lines[0]) for row in lines)
    elif kind == ".html":
        page = Page()
        page.feed(path.read_text("utf-8"))
        assert page.seen > 20 and not page.open, page.open
    else:
        raise AssertionError(f"{path}: a file of no known kind")


def files(folder):
    return sorted(f for f in folder.rglob("*") if f.is_file())


def content(path):
    """Sum of the bytes, without the lines that tell the moment."""
    data = path.read_bytes()
    if path.name in ("report.json", "report.html"):
        data = b"\n".join(l for l in data.split(b"\n") if not l.startswith(b'  "made"') and b'class="made"' not in l)
    return hashlib.sha256(data).digest()


def sums(folder):
    return {str(f.relative_to(folder)): content(f) for f in files(folder)}


class Job:
    """One call on one bracket: its words, and what it leaves and takes undisturbed."""

    def __init__(self, program, kind, frames, folder):
        self.kind, self.frames, self.out = kind, [pathlib.Path(f) for f, _ in frames], folder / f"{kind}-out"
        stated = [w for file, seconds in frames for w in ("--exposure", f"{pathlib.Path(file).name}={seconds}")]
        place = self.out if kind == "run" else self.out / "map.exr"
        self.words = [program, kind, "--quiet", *stated, "--out", place, *self.frames]
        self.inputs = [content(f) for f in self.frames]
        self.clear()
        self.to_its_end()
        self.left = sums(self.out)
        for file in files(self.out):
            opens(file)

    def to_its_end(self, *more):
        begun = time.perf_counter()
        subprocess.run([str(w) for w in (*self.words, *more)], check=True, **NOTHING)
        self.seconds = time.perf_counter() - begun

    def clear(self):
        shutil.rmtree(self.out, ignore_errors=True)
        if self.kind == "merge":
            self.out.mkdir()

    def disturbed(self, how, share, again):
        """What became of one call: its exit code, whole files, temporary files."""
        self.clear()
        more = ["--resume"] if again == "--resume" else []
        child = subprocess.Popen([str(w) for w in (*self.words, *more)], **NOTHING)
        time.sleep(share * self.seconds)
        child.send_signal(how)
        code = child.wait()
        found = files(self.out)
        half = [f for f in found if f.name.startswith(".") and f.suffix == ".part"]
        whole = [f for f in found if f not in half]
        for file in whole:
            opens(file)
            assert content(file) == self.left[str(file.relative_to(self.out))], file
        if how == signal.SIGINT:
            assert not half, half
            assert code in (0, 130, -signal.SIGINT), code  # the last before the program has its handler
        self.untouched()
        self.to_its_end(again)
        assert sums(self.out) == self.left, set(sums(self.out)) ^ set(self.left)
        self.untouched()
        return code, len(whole), len(half)

    def untouched(self):
        assert [content(f) for f in self.frames] == self.inputs, "an input was touched"
        assert len(files(self.frames[0].parent)) == len(self.frames), "something lies beside the inputs"


def main():
    ask = argparse.ArgumentParser(usage=__doc__)
    ask.add_argument("folder", type=pathlib.Path)
    ask.add_argument("--kills", type=int, default=100)
    ask.add_argument("--jobs", nargs="+", default=["run", "merge"])
    ask.add_argument("--signals", nargs="+", default=["KILL", "INT"])
    ask.add_argument("--program", type=pathlib.Path, default=HERE.parents[1] / "target/release/stopspan")
    asked = ask.parse_args()
    folder, program, kills = asked.folder.resolve(), asked.program.resolve(), asked.kills
    made = []
    for size in ("0.5", "2"):
        command = [sys.executable, HERE / "frames.py", folder / size, size, "3"]
        told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        made.append([line.rsplit("=", 1) for line in told.split()])
    for kind in asked.jobs:
        jobs = [Job(program, kind, frames, folder) for frames in made]
        for how in (signal.Signals[f"SIG{name}"] for name in asked.signals):
            chance, went = random.Random(how.name + kind), []
            for number in range(kills):
                again = "--resume" if kind == "run" and number // 2 % 2 == 0 else "--overwrite"
                went.append(jobs[number % 2].disturbed(how, chance.random(), again))
                if number % 10 == 9:
                    print(f"{kind} {how.name}: {number + 1} done", file=sys.stderr, flush=True)
            stopped = sum(code != 0 for code, _, _ in went)
            some = sum(0 < whole < len(jobs[0].left) for _, whole, _ in went)
            halves = sum(half > 0 for _, _, half in went)
            print(f"{kind} {how.name}: {kills} times, {stopped} stopped, {some} with some files named, {halves} with temporary files left; "
                  f"{sum(whole for _, whole, _ in went)} files opened whole, every next call ended with 0", flush=True)


if __name__ == "__main__":
    main()
