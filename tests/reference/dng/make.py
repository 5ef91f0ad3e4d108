"""Small DNG files of every variety read, and what outside readers make of them.

Files are put together here, byte by byte after TIFF 6.0 and the DNG specification 1.7; lossless JPEG comes from imagecodecs
(liblj92 and libjpeg code), deflate from zlib. The samples in expected.csv are what rawpy (LibRaw) reads, or tifffile for
the varieties that LibRaw does not read: their SHA-256 as little-endian 16-bit numbers, and the first eight.
"""
import hashlib
import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import rawpy
import tifffile

HERE = Path(__file__).parent
BYTE, ASCII, SHORT, LONG, RATIONAL, SRATIONAL, DOUBLE, IFD, UNDEFINED = 1, 2, 3, 4, 5, 10, 12, 13, 7
FORMATS = {BYTE: "B", ASCII: "s", SHORT: "H", LONG: "I", IFD: "I", DOUBLE: "d", UNDEFINED: "B", 18: "Q"}


def value_bytes(order, kind, values):
    if kind == ASCII:
        return values.encode() + b"\0", len(values) + 1
    if kind in (RATIONAL, SRATIONAL):
        letter = "I" if kind == RATIONAL else "i"
        return b"".join(struct.pack(order + letter * 2, *v) for v in values), len(values)
    return struct.pack(order + FORMATS[kind] * len(values), *values), len(values)


class Writer:
    """A TIFF structure: data first, directories behind them."""

    def __init__(self, order="<"):
        self.order = order
        self.data = bytearray(b"II*\0" if order == "<" else b"MM\0*") + bytearray(4)

    def add(self, data):
        self.data += b"\0" * (len(self.data) % 2)
        place = len(self.data)
        self.data += data
        return place

    def directory(self, tags):
        entries = []
        for tag, (kind, values) in sorted(tags.items()):
            data, count = value_bytes(self.order, kind, values)
            if len(data) > 4:
                data = struct.pack(self.order + "I", self.add(data))
            entries.append(struct.pack(self.order + "HHI", tag, kind, count) + data.ljust(4, b"\0"))
        table = struct.pack(self.order + "H", len(entries)) + b"".join(entries) + bytes(4)
        return self.add(table)

    def save(self, path, first):
        self.data[4:8] = struct.pack(self.order + "I", first)
        path.write_bytes(self.data)


def fractions(values, unit=10000):
    return [(int(round(v * unit)), unit) for v in values]


COLOUR = {
    50706: (BYTE, [1, 4, 0, 0]),
    50707: (BYTE, [1, 1, 0, 0]),
    50708: (ASCII, "Simulated Camera S1"),
    271: (ASCII, "Simulated"),
    272: (ASCII, "Simulated Camera S1"),
    50721: (SRATIONAL, fractions([0.9, -0.3, -0.1, -0.4, 1.2, 0.2, -0.05, 0.15, 0.6])),
    50778: (SHORT, [21]),
    50728: (RATIONAL, fractions([0.5, 1.0, 0.66])),
}
EXIF = {
    33434: (RATIONAL, [(1, 60)]),
    33437: (RATIONAL, [(56, 10)]),
    34855: (SHORT, [200]),
    36867: (ASCII, "2026:05:04 10:30:00"),
}


def scene(rows, columns, bits, samples=1):
    """A ramp with a pattern: every code width is used, neighbours differ."""
    r, c, s = np.mgrid[0:rows, 0:columns, 0:samples]
    top = (1 << bits) - 1
    picture = (top * (0.02 + 0.9 * c / columns) + 37 * r + 911 * s * (r % 3) + 5 * (r * c % 7)) % (top + 1)
    return picture.astype(np.uint16)


def pack(codes, bits, order):
    """Codes of whole rows: 16-bit ones in the file's order, others from the highest bit, rows from a byte."""
    if bits == 16:
        return codes.astype(order + "u2").tobytes()
    if bits == 8:
        return codes.astype(np.uint8).tobytes()
    out = b""
    for row in codes.reshape(codes.shape[0], -1):
        number = "".join(f"{int(v):0{bits}b}" for v in row)
        number += "0" * (-len(number) % 8)
        out += int(number, 2).to_bytes(len(number) // 8, "big")
    return out


def pieces(picture, bits, order, how, height, width=None):
    """Encoded strips (or tiles, with a width) and the tags that say where they are."""
    out = []
    for top in range(0, picture.shape[0], height):
        for left in range(0, picture.shape[1], width or picture.shape[1]):
            part = picture[top : top + height, left : left + (width or picture.shape[1])]
            if width:
                pad = [(0, height - part.shape[0]), (0, width - part.shape[1]), (0, 0)]
                part = np.pad(part, pad, mode="edge")
            out.append(encode(part, bits, order, how))
    return out


def encode(part, bits, order, how):
    if how == "lossless-jpeg":
        return bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(part[:, :, 0]), bitspersample=bits))
    if how == "lossless-jpeg-pairs":
        # two components side by side, as many writers store a mosaic
        pairs = np.ascontiguousarray(part.reshape(part.shape[0], -1, 2))
        return jpeg_pairs(pairs, bits)
    if how == "deflate":
        return zlib.compress(pack(part, bits, order))
    if how == "deflate-differences":
        flat = part.astype(np.int64)
        flat[:, 1:] -= part[:, :-1].astype(np.int64)
        return zlib.compress(pack((flat % 65536).astype(np.uint16), bits, order))
    return pack(part, bits, order)


def jpeg_pairs(pairs, bits):
    """Lossless JPEG of two interleaved components, predictor 6, one fixed Huffman table (ITU-T T.81 annex H)."""
    rows, columns, parts = pairs.shape
    lengths = [0, 0, 0, 0, 17] + [0] * 11  # seventeen categories of five bits each
    table = bytes(lengths) + bytes(range(17))
    head = b"\xff\xd8\xff\xc4" + struct.pack(">HB", 3 + len(table), 0) + table
    head += b"\xff\xc3" + struct.pack(">HBHHB", 8 + 3 * parts, bits, rows, columns, parts)
    head += b"".join(bytes([k, 0x11, 0]) for k in range(parts))
    head += b"\xff\xda" + struct.pack(">HB", 6 + 2 * parts, parts)
    head += b"".join(bytes([k, 0]) for k in range(parts)) + bytes([6, 0, 0])
    data, p = "", pairs.astype(int)
    for r in range(rows):
        for c in range(columns):
            for k in range(parts):
                if r == 0:
                    guess = p[r, c - 1, k] if c else 1 << (bits - 1)
                elif c == 0:
                    guess = p[r - 1, c, k]
                else:
                    guess = p[r - 1, c, k] + ((p[r, c - 1, k] - p[r - 1, c - 1, k]) >> 1)
                d = int(p[r, c, k] - guess + 32768) % 65536 - 32768
                d = 32768 if d == -32768 else d
                n = int(abs(d)).bit_length()
                data += f"{n:05b}"
                if 0 < n < 16:
                    data += f"{d if d > 0 else d + (1 << n) - 1:0{n}b}"
    data += "1" * (-len(data) % 8)
    coded = int(data, 2).to_bytes(len(data) // 8, "big").replace(b"\xff", b"\xff\0")
    return head + coded + b"\xff\xd9"


CODES = {"none": 1, "lossless-jpeg": 7, "lossless-jpeg-pairs": 7, "deflate": 8, "deflate-differences": 8}


def make(name, picture, bits, order="<", how="none", height=8, width=None, sub=None, extra=None, first=None, pattern=(0, 1, 1, 2)):
    rows, columns, samples = picture.shape
    writer = Writer(order)
    stored = [(writer.add(p), len(p)) for p in pieces(picture, bits, order, how, height, width)]
    tags = {
        254: (LONG, [0]),
        256: (LONG, [columns]),
        257: (LONG, [rows]),
        258: (SHORT, [bits] * samples),
        259: (SHORT, [CODES[how]]),
        262: (SHORT, [32803 if samples == 1 and pattern else 34892]),
        277: (SHORT, [samples]),
        284: (SHORT, [1]),
    }
    if samples == 1 and pattern:
        tags |= {33421: (SHORT, [2, 2]), 33422: (BYTE, list(pattern))}
    if width:
        tags |= {322: (SHORT, [width]), 323: (SHORT, [height]), 324: (LONG, [s[0] for s in stored]), 325: (LONG, [s[1] for s in stored])}
    else:
        tags |= {278: (SHORT, [height]), 273: (LONG, [s[0] for s in stored]), 279: (LONG, [s[1] for s in stored])}
    if how == "deflate-differences":
        tags[317] = (SHORT, [2])
    tags |= extra or {}
    top = dict(COLOUR) | (first or {})
    if sub is None:
        tags |= top | {34665: (LONG, [writer.directory(EXIF)])}
        place = writer.directory(tags)
    else:
        place = writer.directory(tags)
        thumbnail = writer.add(bytes(range(192)))
        top |= {
            254: (LONG, [1]), 256: (LONG, [8]), 257: (LONG, [8]), 258: (SHORT, [8, 8, 8]), 259: (SHORT, [1]), 262: (SHORT, [2]),
            277: (SHORT, [3]), 278: (LONG, [8]), 273: (LONG, [thumbnail]), 279: (LONG, [192]), 284: (SHORT, [1]),
            330: (sub, [place]), 34665: (LONG, [writer.directory(EXIF)]),
        }
        place = writer.directory(top)
    path = HERE / f"{name}.dng"
    writer.save(path, place)
    return path


def read(path, samples):
    """What an outside reader makes of the raw picture, and which it was."""
    try:
        with rawpy.imread(str(path)) as raw:
            visible = raw.raw_image_visible.copy()
            return "rawpy", visible[:, :, :samples] if visible.ndim == 3 else visible[:, :, None]
    except rawpy.LibRawError:
        pass
    with tifffile.TiffFile(path) as file:
        pages = [file.pages[0], *(file.pages[0].pages or [])]
        page = max(pages, key=lambda p: p.imagewidth)
        found = page.asarray()
        return "tifffile", found.reshape(*found.shape[:2], samples)


def main():
    rows = []

    def case(name, picture, bits, visible=None, crop=None, **kw):
        path = make(name, picture, bits, **kw)
        reader, seen = read(path, picture.shape[2])
        made = picture if visible is None else visible
        assert seen.shape == made.shape, (name, reader, seen.shape, made.shape)
        assert (seen == made).all(), (name, reader)
        top, left, height, width = crop or (0, 0, *made.shape[:2])
        seen = seen[top : top + height, left : left + width]
        flat = np.ascontiguousarray(seen).astype("<u2").ravel()
        digest = hashlib.sha256(flat.tobytes()).hexdigest()
        rows.append([name, reader, *seen.shape, digest, " ".join(str(v) for v in flat[:8])])

    for bits in (8, 10, 12, 14, 16):
        case(f"packed-{bits}", scene(32, 48, bits), bits, order="<" if bits != 14 else ">")
    case("big-endian", scene(32, 48, 16), 16, order=">")
    case("tiles", scene(40, 56, 16), 16, width=16, height=16)
    case("sub-directory-long", scene(32, 48, 14), 16, sub=LONG)
    case("sub-directory-ifd", scene(32, 48, 14), 16, sub=IFD, order=">")
    case("lossless-jpeg-tiles", scene(40, 56, 14), 16, how="lossless-jpeg", width=16, height=16)
    case("lossless-jpeg-strip", scene(32, 48, 12), 16, how="lossless-jpeg", height=32)
    case("lossless-jpeg-pairs", scene(40, 56, 14), 14, how="lossless-jpeg-pairs", width=16, height=16)
    case("deflate", scene(32, 48, 16), 16, how="deflate")
    case("deflate-differences", scene(32, 48, 16), 16, how="deflate-differences", order=">")
    picture = scene(38, 46, 12)
    case(
        "active-area", picture, 16, visible=picture[4:38, 2:46], crop=(1, 3, 16, 24), sub=LONG,
        extra={
            50829: (LONG, [4, 2, 38, 46]), 50719: (LONG, [3, 1]), 50720: (LONG, [25, 17]),
            50713: (SHORT, [2, 2]), 50714: (RATIONAL, fractions([64.25, 65, 66, 67.5], 4)), 50717: (LONG, [4000]),
            51041: (DOUBLE, [2e-4, 1e-6] * 3),
        },
        first={274: (SHORT, [6]), 50730: (SRATIONAL, [(-1, 2)])},
    )
    table = [min(65535, 2 * i + (i * i) // 64) for i in range(256)]
    picture = scene(32, 48, 8)
    case("linearisation", picture, 8, visible=np.array(table, np.uint16)[picture], extra={50712: (SHORT, table), 50717: (LONG, [table[-1]])})
    case("linear-raw", scene(32, 48, 16, 3), 16, pattern=None)
    case("mono", scene(32, 48, 14), 16, pattern=None)
    with open(HERE / "expected.csv", "w") as out:
        out.write("file,reader,rows,columns,samples,sha256,first\n")
        for row in rows:
            out.write(",".join(str(v) for v in row) + "\n")
    for row in rows:
        print(*row[:5])


if __name__ == "__main__":
    main()
