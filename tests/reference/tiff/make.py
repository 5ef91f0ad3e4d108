"""Makes the small TIFF files beside it, and expected.csv: what Pillow (with libtiff) and tifffile read in them.

Run once with the pinned versions of requirements.txt. Pillow and tifffile write what they can; kinds that neither writes are put together
here byte by byte and count only because another reader reads them the same.
"""
import csv
import struct

import numpy
import tifffile
from PIL import Image

ROWS, COLUMNS = 20, 37
rng = numpy.random.default_rng(23)
grey = rng.integers(0, 256, (ROWS, COLUMNS), dtype=numpy.uint8)
smooth = numpy.stack(
    [numpy.add.outer(5 * numpy.arange(48), 3 * numpy.arange(64)) % 256 // 2 + 20 * k for k in range(3)], axis=-1
).astype(numpy.uint8)


def packed(name, bits, photometric, codes, fill_order=1):
    """A grey file of one strip without compression, codes packed from the highest bit down."""
    rows = []
    for line in codes:
        text = "".join(f"{code:0{bits}b}" for code in line)
        text += "0" * (-len(text) % 8)
        rows.append(bytes(int(text[i : i + 8], 2) for i in range(0, len(text), 8)))
    data = b"".join(rows)
    entries = [
        (256, 3, COLUMNS), (257, 3, ROWS), (258, 3, bits), (259, 3, 1), (262, 3, photometric), (266, 3, fill_order),
        (273, 4, 8 + 2 + 10 * 12 + 4), (277, 3, 1), (278, 3, ROWS), (279, 4, len(data)),
    ]
    head = b"II*\0" + struct.pack("<IH", 8, len(entries))
    for tag, kind, value in entries:
        head += struct.pack("<HHII", tag, kind, 1, value)
    with open(name, "wb") as file:
        file.write(head + b"\0" * 4 + data)


for bits in (1, 2, 4):
    packed(f"grey-{bits}.tif", bits, 1, grey >> (8 - bits))
packed("white-is-zero-4.tif", 4, 0, grey >> 4)
packed("grey-12.tif", 12, 1, grey.astype(int) << 4)
packed("reversed-bits.tif", 1, 1, grey >> 7, fill_order=2)
Image.fromarray(grey > 127).save("fax-4.tif", compression="group4")
Image.fromarray(smooth).save("jpeg.tif", compression="jpeg", quality=92)
tifffile.imwrite("planes-in-tiles.tif", numpy.moveaxis(smooth[:40, :50], -1, 0), photometric="rgb", planarconfig="separate", tile=(16, 16))
tifffile.imwrite("planes.tif", numpy.moveaxis(smooth[:40, :50], -1, 0), photometric="rgb", planarconfig="separate", rowsperstrip=16)
tifffile.imwrite("wide-planes-in-tiles.tif", numpy.moveaxis(smooth[:40, :50], -1, 0).astype(numpy.uint16) * 257, photometric="rgb",
                 planarconfig="separate", tile=(16, 16), byteorder=">")
tifffile.imwrite("signed-16.tif", grey.astype(numpy.int16) - 128, photometric="minisblack")
tifffile.imwrite("grey-and-alpha.tif", numpy.stack([grey, 255 - grey], axis=-1), photometric="minisblack",
                 extrasamples=["unassalpha"], planarconfig="contig")
Image.fromarray(grey).convert("P").save("palette.tif")
Image.merge("LAB", [Image.fromarray(grey)] * 3).save("lab.tif")

with open("expected.csv", "w", newline="") as file:
    table = csv.writer(file, lineterminator="\n")
    table.writerow(["file", "reader", "row", "column", "channel", "code"])

    def enter(name, reader, picture):
        picture = picture.reshape(picture.shape[0], picture.shape[1], -1)
        places = numpy.random.default_rng(5).integers(0, picture.shape, (60, 3))
        for row, column, channel in places:
            table.writerow([name, reader, row, column, channel, picture[row, column, channel]])

    for name in ("grey-1", "grey-2", "grey-4", "white-is-zero-4", "fax-4"):
        with Image.open(f"{name}.tif") as picture:
            enter(f"{name}.tif", "Pillow", numpy.asarray(picture.convert("L")))
    with Image.open("jpeg.tif") as picture:
        enter("jpeg.tif", "Pillow", numpy.asarray(picture.convert("RGB")))
    for name in ("planes-in-tiles", "planes", "wide-planes-in-tiles"):
        picture = tifffile.imread(f"{name}.tif")
        enter(f"{name}.tif", "tifffile", numpy.moveaxis(picture, 0, -1) if picture.shape[0] == 3 else picture)
    enter("grey-and-alpha.tif", "tifffile", tifffile.imread("grey-and-alpha.tif")[..., :1])
