"""Reads every file that the example `speed` wrote, with readers that share no code with ours.

Run with: cargo run --release -p nightloom-raster --example speed -- FOLDER 1500 1000
          python3 readback.py FOLDER
Needs tifffile, astropy, pillow, numpy. Last run with Python 3.11, tifffile 2026.3.3, astropy 8.0.2,
pillow 13.0.0 (its littlecms), numpy 2.4.6. Prints one line per check and stops at the first that fails.
"""

import io
import sys
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms

FOLDER = Path(sys.argv[1])
REC2020_TO_SRGB = np.array(  # colour-science 0.4.7, see colour_tables.py
    [
        [1.66049100211, -0.587641138789, -0.0728498633199],
        [-0.124550474522, 1.13289989713, -0.00834942260437],
        [-0.0181507633549, -0.100578898008, 1.11872966136],
    ]
)


def check(what, truth):
    print("ok  " if truth else "BAD ", what)
    if not truth:
        sys.exit(1)


def encode(v):
    v = np.clip(v, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def decode(v):
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


# FITS: the standard's own checker.
with fits.open(FOLDER / "linear.fits") as hdus:
    hdus.verify("exception")
    cube = hdus[0].data
    check(f"FITS verifies, {cube.shape} {cube.dtype}", cube.dtype == ">f4" and cube.shape[0] == 3)
    check("FITS keywords", hdus[0].header["EXPTIME"] == 90.0 and "made up" in str(hdus[0].header["HISTORY"]))
linear = np.moveaxis(cube, 0, -1)
check("negative values kept", linear.min() < 0)

# TIFF: 16 bit, same pixels stored both ways, profile, and the curve.
plain, deflated = (tifffile.imread(FOLDER / n) for n in ("picture.tif", "deflated.tif"))
check(f"16-bit TIFF {plain.shape}", plain.dtype == np.uint16 and np.array_equal(plain, deflated))
wanted = np.floor(np.clip(encode(linear.astype(float)), 0, 1) * 65535 + 0.5)
check("16-bit TIFF is the sRGB curve of the FITS", np.abs(plain - wanted).max() <= 1)
with tifffile.TiffFile(FOLDER / "picture.tif") as t:
    tag = t.pages[0].tags[34675]
    check("ICC tag is UNDEFINED", tag.dtype == 7)
    profile = bytes(tag.value)
matte = tifffile.imread(FOLDER / "matte.tif")
check("grey TIFF", matte.ndim == 2 and matte.min() == 0 and matte.max() == 65535)

# OpenRaster: archive, list of layers, pixels.
with zipfile.ZipFile(FOLDER / "layers.ora") as z:
    check("zip checks its sums", z.testzip() is None)
    first = z.infolist()[0]
    check("mimetype first and stored", (first.filename, first.compress_type) == ("mimetype", 0))
    check("mimetype", z.read("mimetype") == b"image/openraster")
    stack = ET.fromstring(z.read("stack.xml"))
    layers = stack.find("stack").findall("layer")
    check("layers named", [l.get("name") for l in layers] == ["land", "sky", "background"])
    import png  # pypng 0.20220715.0: 16-bit colour, which pillow reduces to 8

    width, height, rows, info = png.Reader(bytes=z.read(layers[0].get("src"))).read()
    pixels = np.vstack([np.asarray(r, np.uint16) for r in rows]).reshape(height, width, 4)
    check("16-bit layer", info["bitdepth"] == 16 and np.array_equal(pixels[..., :3], plain))
    check("layer's alpha is the matte", np.array_equal(pixels[..., 3], matte))
    check("layer carries the profile", bytes(info["icc_profile"][1]) == profile if "icc_profile" in info else
          Image.open(io.BytesIO(z.read(layers[0].get("src")))).info["icc_profile"] == profile)
    width, height, rows, info = png.Reader(bytes=z.read("mergedimage.png")).read()
    merged = np.vstack([np.asarray(r, np.uint16) for r in rows]).reshape(height, width, 3)
    check("merged picture", np.array_equal(merged, plain))
    thumbnail = Image.open(io.BytesIO(z.read("Thumbnails/thumbnail.png")))
    check(f"thumbnail {thumbnail.size}", max(thumbnail.size) == 256)

# JPEG: pixels and profile.
jpeg = Image.open(FOLDER / "preview.jpg")
check("JPEG carries the profile", jpeg.info["icc_profile"] == profile)
error = np.abs(np.asarray(jpeg).astype(float) - plain / 257.0).mean()
check(f"JPEG differs by {error:.2f} levels in the mean", error < 2.5)

# The profiles in littlecms: our Rec. 2020 to its built-in sRGB against the matrix of colour-science.
codes = np.array([[200, 120, 60], [30, 60, 90], [128, 128, 128], [255, 255, 255], [90, 140, 100]], np.uint8)
ours = ImageCms.ImageCmsProfile(io.BytesIO(profile))
check("littlecms: " + ImageCms.getProfileDescription(ours).strip(), True)
transform = ImageCms.buildTransform(
    ours, ImageCms.createProfile("sRGB"), "RGB", "RGB", renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC
)
got = np.asarray(ImageCms.applyTransform(Image.fromarray(codes[None]), transform))[0]
want = np.round(encode(decode(codes / 255.0) @ REC2020_TO_SRGB.T) * 255)
check(f"littlecms converts as computed, worst {np.abs(got - want).max():.0f} level", np.abs(got - want).max() <= 1)
grey = bytes(tifffile.TiffFile(FOLDER / "matte.tif").pages[0].tags[34675].value)
check("littlecms opens grey: " + ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(grey))).strip(), True)
