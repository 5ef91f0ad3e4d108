"""Gain map JPEGs judged by libultrahdr: one of this project's writing, and one of its own for this project to read.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python make.py

`ours.jpg` is written by the test `the_file_judged_is_the_one_written_today` (tests/reference/gain_map.rs) and only read here.
`theirs.jpg` is written here by libultrahdr 1.4.0 through libvips 8.18.7 (uhdrsave): base picture, gain map and metadata are
given, so that what it must hold is known. It holds the metadata of ISO 21496-1 alone, and its Multi-Picture Format index comes
behind the quantisation and Huffman tables. `theirs_index_first.jpg` is the same file with that segment moved before the tables.

metadata.csv: what libultrahdr finds (through libvips, uhdrload) in each file as it is, and in `ours.jpg` with either form of the
metadata made unreadable. Gains in stops. light.csv: linear light (reference white 1) that libultrahdr reconstructs (through
imagecodecs) at full weight of the gain, in the middle of every cell. libvips' own reconstruction (uhdr2scRGB) is left out: where
gamma or offsets differ from the usual it departs from libultrahdr's, which agrees with the standard's formula.

Beside that this script holds against each other: Pillow's reading of the Multi-Picture Format index, the bytes of the
ISO 21496-1 segment decoded here field by field, libultrahdr's numbers, and the standard's formula on pixels decoded by Pillow.
"""

import csv
import io
import math
import pathlib
import struct

import imagecodecs
import numpy as np
import pyvips
from PIL import MpoImagePlugin

HERE = pathlib.Path(__file__).parent
ROWS, COLUMNS, SIDE = 6, 8, 16  # cells, and pixels a side of one; the gain map has half as many
ISO, XMP = b"urn:iso:std:iso:ts:21496:-1\0", b"http://ns.adobe.com/xap/1.0/\0"
FIELDS = ["min", "max", "gamma", "base_offset", "alternate_offset"]

# theirs.jpg: gains (factors), exponents, offsets of R, G, B; headrooms as factors
LEAST, MOST = [1.0, 0.9, 0.8], [4.0, 3.0, 5.0]
GAMMA, BASE_OFFSET, ALTERNATE_OFFSET = [1.0, 1.25, 0.8], [1 / 64, 1 / 32, 1 / 64], [1 / 64, 1 / 64, 1 / 128]
HEADROOM = (1.0, 5.0)


def cells(shift):
    """Codes of the cells, every channel its own pattern."""
    row, column, channel = np.mgrid[0:ROWS, 0:COLUMNS, 0:3]
    return ((37 * row + 59 * column + 101 * channel + shift * (channel + 1)) * (channel + 1) % 256).astype(np.uint8)


def picture(codes, side):
    large = codes.repeat(side, 0).repeat(side, 1)
    return pyvips.Image.new_from_array(large).copy(interpretation="srgb")


def theirs():
    base = picture(cells(3), SIDE)
    gain = picture(cells(77), SIDE // 2).jpegsave_buffer(Q=100, subsample_mode="off", keep="none")
    base.set_type(pyvips.GValue.blob_type, "gainmap-data", gain)
    for name, values in [("max-content-boost", MOST), ("min-content-boost", LEAST), ("gamma", GAMMA),
                         ("offset-sdr", BASE_OFFSET), ("offset-hdr", ALTERNATE_OFFSET)]:
        base.set_type(pyvips.GValue.array_double_type, "gainmap-" + name, values)
    for name, value in zip(["min", "max"], HEADROOM):
        base.set_type(pyvips.GValue.gdouble_type, "gainmap-hdr-capacity-" + name, value)
    base.set_type(pyvips.GValue.gint_type, "gainmap-use-base-cg", 1)
    return base.uhdrsave_buffer(Q=100)


def index_first(data):
    """The file with its index moved before the first table; the index counts from its own place, so its offset changes by as much."""
    at, segments = 2, []
    while data[at + 1] != 0xDA:
        end = at + 2 + struct.unpack(">H", data[at + 2:at + 4])[0]
        segments.append((at, end))
        at = end
    index, = [(a, b) for a, b in segments if data[a + 1] == 0xE2 and data[a + 4:a + 8] == b"MPF\0"]
    table = next(a for a, _ in segments if data[a + 1] not in range(0xE0, 0xF0))
    moved = bytearray(data[index[0]:index[1]])
    assert table < index[0] and moved[8:12] == b"MM\0*"
    place = 8 + 50 + 16 + 8  # behind marker, length and name: the second entry's offset
    offset, = struct.unpack(">I", moved[place:place + 4])
    moved[place:place + 4] = struct.pack(">I", offset + index[0] - table)
    return data[:table] + bytes(moved) + data[table:index[0]] + data[index[1]:]


def by_libultrahdr(data):
    """(numbers of each channel in the order of FIELDS, headrooms in stops, whether in the base picture's primaries)."""
    found = pyvips.Image.uhdrload_buffer(data)
    get = lambda name: found.get("gainmap-" + name)
    stops = lambda name: [math.log2(v) for v in get(name)]
    columns = [stops("min-content-boost"), stops("max-content-boost"), get("gamma"), get("offset-sdr"), get("offset-hdr")]
    headroom = [math.log2(get("hdr-capacity-" + end)) for end in ("min", "max")]
    return [list(channel) for channel in zip(*columns)], headroom, bool(get("use-base-cg"))


def by_layout(data):
    """The same from the bytes behind the segment's name: versions (16 bits each), flags, pairs of numerator and denominator."""
    payload = data[data.rindex(ISO) + len(ISO):]
    least, _, flags = struct.unpack(">HHB", payload[:5])
    assert least == 0 and flags & 0x3F == 0, (least, flags)
    channels, at = 3 if flags & 0x80 else 1, 5

    def fraction(kind):
        nonlocal at
        numerator, denominator = struct.unpack(f">{kind}I", payload[at:at + 8])
        at += 8
        return numerator / denominator

    headroom = [fraction("I"), fraction("I")]
    found = [[fraction(kind) for kind in "iiIii"] for _ in range(channels)]
    return found * (3 // channels), headroom, bool(flags & 0x40)


def near(one, other):
    return np.allclose(one[0], other[0], atol=2e-6, rtol=0) and np.allclose(one[1], other[1], atol=2e-6, rtol=0) and one[2] == other[2]


def pictures(data):
    """Middles of the cells of both pictures, by Pillow, which finds the second by the index."""
    # Image.open keeps to the first picture of files with XMP gain map metadata.
    file = MpoImagePlugin.MpoImageFile(io.BytesIO(data))
    assert file.n_frames == 2
    entries = file.mpinfo[0xB002]
    assert entries[0]["Size"] + entries[1]["Size"] == len(data), entries
    assert entries[0]["Attribute"]["MPType"] == "Baseline MP Primary Image", entries
    out = []
    for number, side in ((0, SIDE), (1, SIDE // 2)):
        file.seek(number)
        assert file.size == (COLUMNS * side, ROWS * side), file.size
        out.append(np.asarray(file.convert("RGB"))[side // 2::side, side // 2::side].astype(float) / 255)
    return out


def by_formula(data):
    """ISO 21496-1 at full weight: (base + base offset) 2^gain - alternate offset; below black is black."""
    base, value = pictures(data)
    least, most, gamma, base_offset, alternate_offset = np.array(by_layout(data)[0]).T
    light = np.where(base <= 0.04045, base / 12.92, ((base + 0.055) / 1.055) ** 2.4)
    return np.maximum((light + base_offset) * 2 ** (least + (most - least) * value ** (1 / gamma)) - alternate_offset, 0)


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows(rows)


def main():
    files = {"ours": (HERE / "ours.jpg").read_bytes(), "theirs": theirs()}
    files["theirs_index_first"] = index_first(files["theirs"])
    for name in ("theirs", "theirs_index_first"):
        (HERE / f"{name}.jpg").write_bytes(files[name])
    unnamed = lambda data, name: data.replace(name, b"x" + name[1:])
    assert files["ours"].count(ISO) == files["ours"].count(XMP) == 2
    assert files["theirs"].count(XMP) == 0
    judged = [
        ("ours", "both", files["ours"]),
        ("ours", "iso", unnamed(files["ours"], XMP)),
        ("ours", "xmp", unnamed(files["ours"], ISO)),
        ("theirs", "iso", files["theirs"]),
        ("theirs_index_first", "iso", files["theirs_index_first"]),
    ]
    rows = []
    for name, form, data in judged:
        found = by_libultrahdr(data)
        assert near(found, by_layout(files[name])), (name, form, found, by_layout(files[name]))
        for k, channel in enumerate(found[0]):
            rows.append([name, form, k, *(f"{v:.7f}" for v in channel), *(f"{v:.7f}" for v in found[1]), int(found[2])])
    write("metadata.csv", ["file", "form", "channel", *FIELDS, "base_headroom", "alternate_headroom", "base_primaries"], rows)
    rows = []
    for name, data in files.items():
        light = imagecodecs.ultrahdr_decode(data)[SIDE // 2::SIDE, SIDE // 2::SIDE, :3].astype(float)
        apart = np.abs(np.log2((light + 0.1) / (by_formula(data) + 0.1)))
        print(f"{name}: {len(data)} bytes, libultrahdr at most {apart.max():.4f} stop of (light + 0.1) from the formula")
        assert apart.max() < 0.02
        for (r, c), _ in np.ndenumerate(light[..., 0]):
            rows.append([name, r, c, *(f"{v:.6f}" for v in light[r, c])])
    write("light.csv", ["file", "row", "column", "r", "g", "b"], rows)
    print(imagecodecs.ultrahdr_version(), "libvips", ".".join(str(pyvips.version(k)) for k in range(3)))


main()
