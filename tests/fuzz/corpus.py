"""Fills a folder with small pictures for the fuzzer: the smallest files of the public test suites that Debian's source packages of libtiff
and OpenEXR carry, and the small files of tests/reference. Nothing of the suites is kept in the project.

    python tests/fuzz/corpus.py target/corpus

Needs `apt-get source` (a deb-src line in apt's sources). Prints how many files of which suite it took.
"""
import pathlib
import shutil
import subprocess
import sys
import tempfile

LARGEST = 16384
HERE = pathlib.Path(__file__).resolve().parent
KINDS = {".tif", ".tiff", ".exr", ".dng", ".jpg", ".png", ".hdr"}


def take(source, name, into):
    files = [f for f in sorted(source.rglob("*")) if f.suffix in KINDS and f.stat().st_size <= LARGEST]
    for file in files:
        shutil.copy(file, into / f"{name}-{file.name}")
    print(f"{name}: {len(files)} files")
    assert files, name


into = pathlib.Path(sys.argv[1])
into.mkdir(parents=True, exist_ok=True)
take(HERE.parent / "reference", "reference", into)
with tempfile.TemporaryDirectory() as folder:
    for package in ("tiff", "openexr"):
        subprocess.run(["apt-get", "source", "--download-only", package], cwd=folder, check=True)
        for archive in pathlib.Path(folder).glob(f"{package}_*.orig.tar.*"):
            if archive.suffix == ".asc":
                continue
            place = pathlib.Path(folder) / package
            place.mkdir()
            subprocess.run(["tar", "xf", archive, "-C", place], check=True)
        take(pathlib.Path(folder) / package, package, into)
