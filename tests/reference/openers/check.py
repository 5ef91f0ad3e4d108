"""Opens the program's files with other people's software and holds what comes out against each other.

    python -m venv v && v/bin/pip install -r requirements.txt
    apt-get install libtiff-tools libpng-tools pngcheck libjpeg-turbo-progs chromium      (each is left out, and said so, where absent)
    v/bin/python check.py PROGRAM MAP.exr [FOLDER]

Renders the map as JPEG, PNG, TIFF, gain-map JPEG, PQ PNG; then asserts that every reader opens them, that they show the same
picture (mean CIE lightness difference below 1 for 8-bit readers), and that metadata readers find what was carried over. FOLDER
keeps the pictures and Chromium's pictures of them for looking at.
"""

import pathlib
import shutil
import subprocess
import sys
import tempfile

import cv2
import numpy as np
import OpenEXR
from PIL import Image


def lightness(codes):
    """CIE L* of encoded sRGB samples 0..1."""
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
    return np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)


def run(*command):
    print("$", " ".join(str(c) for c in command))
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-500:]
    return done.stdout + done.stderr


def tool(name, *arguments):
    if shutil.which(name) is None:
        print(f"LEFT OUT: {name} is not installed")
        return ""
    return run(name, *arguments)


def alike(name, codes, wanted, limit=1.0):
    assert codes.shape == wanted.shape, (name, codes.shape, wanted.shape)
    difference = float(np.abs(lightness(codes) - lightness(wanted)).mean())
    print(f"  {name}: mean difference of L* {difference:.3f}")
    assert difference < limit, (name, difference)


def by_chromium(path, size):
    """The picture as Chromium shows it, pixel by pixel."""
    folder = pathlib.Path(tempfile.mkdtemp())
    page, shot = folder / "p.html", folder / "s.png"
    page.write_text(f'<body style="margin:0"><img src="{path.as_uri()}" width={size[0]} height={size[1]} style="display:block">')
    tool("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run", "--disable-quic",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--force-color-profile=srgb",
         f"--user-data-dir={folder}/u", f"--window-size={size[0]},{size[1]}", f"--screenshot={shot}", page.as_uri())
    return cv2.imread(str(shot))[..., ::-1] / 255 if shot.exists() else None


def metadata(path):
    import exifread
    import piexif

    with open(path, "rb") as file:
        tags = exifread.process_file(file)
    assert "stopspan" in str(tags["Image Software"]), tags
    assert b"stopspan" in piexif.load(str(path))["0th"][piexif.ImageIFD.Software]
    print(f"  metadata of {path.name}: {len(tags)} fields by exifread, piexif agrees")


def main():
    program, map_file = sys.argv[1], pathlib.Path(sys.argv[2])
    folder = pathlib.Path(sys.argv[3] if len(sys.argv) > 3 else tempfile.mkdtemp()).resolve()
    folder.mkdir(exist_ok=True)
    at = {name: folder / name for name in ("a.jpg", "a.png", "a.tif", "bright.jpg", "bright.png")}
    plain = [v for name in ("a.jpg", "a.png", "a.tif") for v in ("--out", at[name])]
    run(program, "render", "--overwrite", map_file, *plain)
    run(program, "render", "--overwrite", map_file, "--bright", "--out", at["bright.jpg"], "--out", at["bright.png"])

    wanted = cv2.imread(str(at["a.png"]), cv2.IMREAD_UNCHANGED)[..., ::-1] / 65535
    size = wanted.shape[1::-1]
    for name in ("a.jpg", "a.tif", "bright.jpg"):
        picture = cv2.imread(str(at[name]), cv2.IMREAD_UNCHANGED)
        alike(f"OpenCV, {name}", picture[..., ::-1] / np.iinfo(picture.dtype).max, wanted)
    for name in ("a.jpg", "a.png", "bright.jpg"):
        with Image.open(at[name]) as picture:
            assert picture.info.get("icc_profile"), name
            codes = np.asarray(picture.convert("RGB")) / 255  # 16-bit PNG comes as 8 bits
        alike(f"Pillow, {name}", codes, wanted)
    import tifffile

    alike("tifffile, a.tif", tifffile.imread(at["a.tif"]) / 65535, wanted)
    for name in ("a.jpg", "a.png", "bright.jpg"):
        shown = by_chromium(at[name], size)
        if shown is not None:
            alike(f"Chromium, {name}", shown, wanted)
    # light beyond white is brought down by the browser as it sees fit: it opens, and is neither black nor white
    shown = by_chromium(at["bright.png"], size)
    assert shown is None or 20 < lightness(shown).mean() < 90

    said = tool("tiffinfo", at["a.tif"])
    assert not said or ("Bits/Sample: 16" in said and "Warning" not in said), said
    said = tool("pngcheck", "-v", at["a.png"])  # 3.0.3 knows no cICP, a chunk of the third edition, and refuses it
    assert not said or "No errors detected" in said, said
    for name in ("a.png", "bright.png"):
        assert "ERR" not in tool("pngfix", at[name]), name
    for name in ("a.jpg", "bright.jpg"):
        tool("djpeg", "-outfile", folder / "d.ppm", at[name])
    channels = OpenEXR.File(str(map_file), separate_channels=True).channels()
    assert all(np.isfinite(channels[c].pixels).all() for c in "RGB"), list(channels)
    print("  OpenEXR:", ", ".join(channels))
    for name in ("a.jpg", "a.tif", "bright.jpg"):
        metadata(at[name])
    print("all opened, all alike")


if __name__ == "__main__":
    main()
