"""Many brackets: peak memory and time of a run over 30 and 300, going on, parts, a broken bracket, ten thousand files.

    cargo build --release
    python tests/bench/batch.py FOLDER [COUNT...]

Makes one bracket of three 0.2-megapixel frames with frames.py and puts it into FOLDER under 30, then 300 names (or COUNT), each with
exposures given by `--exposure`. Of the last but one a frame is cut in half and left out, of the last two are, so that it fails. For each number it prints seconds a bracket and the largest resident memory of

- the whole run, which must end with 3 (one bracket failed) and leave `done.json` in all the others;
- the same call again with `--resume`, which must do nothing again: no file in a bracket's folder has another time of change;
- a run in four parts with `--part`, each with `--resume`, and the call that gathers them; every file must be the whole run's byte for byte
  but for the line that tells the moment.

At the end a dry run over one folder of ten thousand small pictures, 3333 brackets and one over by their times, and ten thousand texts.
Needs numpy, OpenCV and Pillow (requirements.txt).
"""
import datetime
import hashlib
import os
import pathlib
import shutil
import subprocess
import sys
import time

from PIL import ExifTags, Image

HERE = pathlib.Path(__file__).resolve().parent
PROGRAM = HERE.parents[1] / "target/release/stopspan"
PARTS = 4


def call(*words):
    """Exit code, seconds of wall clock and of CPU, MiB."""
    begun = time.perf_counter()
    child = subprocess.Popen([str(word) for word in (PROGRAM, "run", "--quiet", *words)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    return os.waitstatus_to_exitcode(status), time.perf_counter() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def told(name, count, went):
    code, wall, cpu, memory = went
    print(f"{name:28} exit {code}: {wall / count:.3f} s wall and {cpu / count:.3f} s CPU each, {memory:.0f} MiB", flush=True)
    return code


def content(folder):
    """Sums of all files; not their bytes, since a child's peak memory counts from what this process holds."""
    found = {}
    for file in sorted(f for f in folder.rglob("*") if f.is_file()):
        data = file.read_bytes()
        if file.name in ("report.json", "report.html"):
            data = b"\n".join(l for l in data.split(b"\n") if not l.startswith(b'  "made"') and b'class="made"' not in l)
        found[str(file.relative_to(folder))] = hashlib.sha256(data).digest()
    return found


def many(folder, pairs, count):
    inputs, out, parts = (folder / f"{name}{count}" for name in ("in", "out", "parts"))
    for place in (inputs, out, parts):
        shutil.rmtree(place, ignore_errors=True)
    brackets = [inputs / f"b{number:03}" for number in range(count)]
    for bracket in brackets:
        bracket.mkdir(parents=True)
        for file, _ in pairs:
            shutil.copy(file, bracket)
    for bracket, frames in ((brackets[-2], 1), (brackets[-1], 2)):
        for file, _ in pairs[:frames]:
            cut = bracket / pathlib.Path(file).name
            os.truncate(cut, cut.stat().st_size // 2)
    words = ["--no-wedge", *stated(pairs), *brackets]
    assert told(f"{count} brackets", count, call(*words, "--out", out)) == 3
    done = len(list(out.glob("*/done.json")))
    assert done == count - 1 and not (out / brackets[-1].name / "done.json").exists(), done
    moments = {f: f.stat().st_mtime_ns for kept in out.glob("*/done.json") for f in kept.parent.rglob("*") if f.is_file()}
    assert told("again with --resume", count, call(*words, "--out", out, "--resume")) == 3
    assert moments == {f: f.stat().st_mtime_ns for f in moments}, "something was done again"
    for part in range(1, PARTS + 1):
        told(f"part {part}/{PARTS}", count / PARTS, call(*words, "--out", parts, "--resume", "--part", f"{part}/{PARTS}"))
    assert told("gathering the parts", count, call(*words, "--out", parts, "--resume")) == 3
    whole, gathered = content(out), content(parts)
    assert whole.keys() == gathered.keys(), whole.keys() ^ gathered.keys()
    differing = [name for name in whole if whole[name] != gathered[name]]
    assert not differing, differing
    print(f"{len(whole)} files the same, whole and in parts", flush=True)


def stated(pairs):
    return [w for file, seconds in pairs for w in ("--exposure", f"{pathlib.Path(file).name}={seconds}")]


def crowded(folder, count=10_000):
    """Three exposures a minute, all of one picture: only names and headers are looked at."""
    inputs = folder / "crowd"
    shutil.rmtree(inputs, ignore_errors=True)
    inputs.mkdir()
    picture, begun = Image.new("RGB", (64, 48), (90, 120, 60)), datetime.datetime(2026, 5, 1)
    for number in range(count):
        tags = Image.Exif()
        inner = tags.get_ifd(ExifTags.IFD.Exif)
        bracket, frame = divmod(number, 3)
        moment = begun + datetime.timedelta(minutes=bracket, seconds=frame)
        inner[ExifTags.Base.DateTimeOriginal] = f"{moment:%Y:%m:%d %H:%M:%S}"
        inner[ExifTags.Base.ExposureTime] = (0.005, 0.02, 0.08)[frame]
        inner[ExifTags.Base.FNumber], inner[ExifTags.Base.ISOSpeedRatings] = 4.0, 100
        picture.save(inputs / f"p{number:05}.jpg", exif=tags)
        (inputs / f"note{number}.txt").write_text("text")
    code, *_ = went = call("--dry-run", "--out", folder / "crowd-out", inputs)
    told("dry run of 3333 brackets", 1, went)
    assert code == 0, code


def main(folder, counts):
    made = subprocess.run([sys.executable, HERE / "frames.py", folder / "one", "0.2", "3"], check=True, capture_output=True, text=True)
    pairs = [line.rsplit("=", 1) for line in made.stdout.split()]
    for count in counts:
        many(folder, pairs, count)
    crowded(folder)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(pathlib.Path(sys.argv[1]).resolve(), [int(word) for word in sys.argv[2:]] or [30, 300])
