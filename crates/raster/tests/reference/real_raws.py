"""Pixels of whole raws as another reader has them: writes fixtures/real/pixels.csv.

Made with rawpy 0.28.0 (LibRaw 0.22.2), tifffile, imagecodecs (libjpeg-turbo) and numpy. Of mosaics LibRaw's numbers of the
sensor by place on the whole of it; of the lossy linear DNG what libjpeg-turbo decodes, after black, white and the file's
polynomials (DNG 1.4, chapter 7, MapPolynomial), computed here.
"""

import csv
import pathlib
import struct

import numpy as np
import rawpy
import tifffile

HERE = pathlib.Path(__file__).parent.parent / "fixtures" / "real"


def places(width, height, n=96):
    at = np.random.default_rng(7)
    return zip(at.integers(0, width, n), at.integers(0, height, n))


def polynomials(data):
    """Area, planes and coefficients of the three MapPolynomials in an OpcodeList2."""
    at, planes = 4, []
    for _ in range(3):
        number, _, _, size = struct.unpack(">IIII", data[at : at + 16])
        assert number == 8
        area = struct.unpack(">IIIIIIII", data[at + 16 : at + 48])
        (degree,) = struct.unpack(">I", data[at + 48 : at + 52])
        planes.append((area, struct.unpack(f">{degree + 1}d", data[at + 52 : at + 52 + 8 * (degree + 1)])))
        at += 16 + size
    return planes


def main():
    with open(HERE / "pixels.csv", "w", newline="") as out:
        out.write("# made by tests/reference/real_raws.py with LibRaw 0.22.2 and libjpeg-turbo\n")
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(["file", "x", "y", "channel", "value"])
        for name in ("kodak.kdc", "colorchart.dng"):
            with rawpy.imread(str(HERE / name)) as raw:
                image = raw.raw_image
                for x, y in places(image.shape[1], image.shape[0]):
                    rows.writerow([name, x, y, 0, int(image[y, x])])
        name = "linear-reduced.dng"
        page = tifffile.TiffFile(HERE / name).pages[0].pages[0]
        image, found = page.asarray().astype(float), polynomials(page.tags["OpcodeList2"].value)
        lit = np.argwhere(image.max(axis=2) > 60)
        for y, x in lit[:: len(lit) // 64]:
            for c in range(3):
                (*_, plane, planes, _, _), poly = found[c]
                assert plane <= c < plane + planes
                value = np.clip((image[y, x, c] - 51) / (255 - 51), 0, 1)
                rows.writerow([name, x, y, c, f"{sum(k * value**i for i, k in enumerate(poly)):.9f}"])


main()
