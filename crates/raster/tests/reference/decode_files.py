"""Makes small frames with independent writers, for tests/all/decode_files.rs.

Every sample of a picture is known by one formula (see `value`), so the test needs no table; only the JPEG,
which loses something, has its decoded samples beside it, and `colour.json` holds the sRGB curve and matrices.

Run: python tests/reference/decode_files.py   (from the crate's folder)
"""

import json
import pathlib
import sys

import astropy
import colour
import numpy as np
import PIL
import rawpy
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms, TiffImagePlugin

OUT = pathlib.Path("tests/fixtures/decode")
W, H = 20, 12


def value(x, y, c=0, top=65535):
    """The sample at column x, row y, channel c, out of 0 to top."""
    return (x * 2711 + y * 4099 + c * 9001 + 77) * (top + 1) // 65536 % (top + 1)


def picture(channels, top, dtype, width=W, height=H):
    a = [[[value(x, y, c, top) for c in range(channels)] for x in range(width)] for y in range(height)]
    return np.array(a, dtype=dtype)


def tiffs():
    rgb16 = picture(3, 65535, np.uint16)
    rgb8 = picture(3, 255, np.uint8)
    grey16 = picture(1, 65535, np.uint16)[:, :, 0]
    plain = {"photometric": "rgb", "software": False}
    tifffile.imwrite(OUT / "rgb16.tif", rgb16, **plain)
    tifffile.imwrite(OUT / "rgb16-big-endian.tif", rgb16, byteorder=">", **plain)
    tifffile.imwrite(OUT / "rgb16-deflate.tif", rgb16, compression="zlib", predictor=True, rowsperstrip=5, **plain)
    tifffile.imwrite(OUT / "rgb16-tiles.tif", rgb16, tile=(16, 16), compression="lzw", **plain)
    tifffile.imwrite(OUT / "rgb16-planes.tif", np.moveaxis(rgb16, 2, 0).copy(), planarconfig="separate", **plain)
    rgba = np.concatenate([rgb16, np.full((H, W, 1), 9, np.uint16)], axis=2)
    tifffile.imwrite(OUT / "rgba16.tif", rgba, extrasamples=["unassalpha"], **plain)
    tifffile.imwrite(OUT / "rgb8-turned.tif", rgb8, extratags=[(274, "H", 1, 6, True)], **plain)
    tifffile.imwrite(OUT / "grey16.tif", grey16, photometric="minisblack", software=False)
    floats = (picture(3, 65535, np.float32) / np.float32(65536)).astype(np.float32)
    tifffile.imwrite(OUT / "rgb-float.tif", floats, **plain)


def linear_profile():
    """Linear Rec. 709 primaries, made by LittleCMS through Pillow, its curves replaced by gamma 1."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    count = int.from_bytes(profile[128:132], "big")
    for i in range(count):
        entry = 132 + 12 * i
        if profile[entry : entry + 4] in (b"rTRC", b"gTRC", b"bTRC"):
            at = int.from_bytes(profile[entry + 4 : entry + 8], "big")
            profile[at : at + 12] = b"curv" + bytes(8)
            profile[entry + 8 : entry + 12] = (12).to_bytes(4, "big")
    return undated(profile)


def undated(profile):
    """The creation date fixed, so that the files come out the same each time."""
    profile = bytearray(profile)
    profile[24:36] = bytes([7, 234, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0])
    return bytes(profile)


def pngs():
    rgb8 = picture(3, 255, np.uint8)
    Image.fromarray(rgb8).save(OUT / "rgb8.png")
    Image.fromarray(rgb8).save(OUT / "rgb8-linear-profile.png", icc_profile=linear_profile())
    srgb = undated(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    Image.fromarray(rgb8).save(OUT / "rgb8-srgb-profile.png", icc_profile=srgb)
    grey16 = picture(1, 65535, np.uint16)[:, :, 0]
    Image.fromarray(grey16).save(OUT / "grey16.png")


def jpegs():
    y, x = np.mgrid[0:32, 0:48]
    smooth = np.stack([x * 5, y * 7, 255 - x * 3], axis=2).clip(0, 255).astype(np.uint8)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", "Model 5"
    exif[0x0112] = 6
    ifd = exif.get_ifd(0x8769)
    ratio = TiffImagePlugin.IFDRational
    ifd[0x829A] = ratio(25, 2)
    ifd[0x829D] = ratio(18, 10)
    ifd[0x8827] = 3200
    ifd[0x920A] = ratio(14, 1)
    ifd[0xA405] = 21
    ifd[0x9003] = "2026:08:12 23:14:05"
    ifd[0x9291] = "041"
    ifd[0x9011] = "-03:30"
    ifd[0xA434] = "14 mm"
    ifd[0xA20E], ifd[0xA210] = ratio(3937, 1), 2
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2] = "S", (ratio(33, 1), ratio(51, 1), ratio(30, 1))
    gps[3], gps[4] = "E", (ratio(151, 1), ratio(12, 1), ratio(36, 1))
    gps[5], gps[6] = b"\x01", ratio(25, 2)
    Image.fromarray(smooth).save(OUT / "turned.jpg", quality=95, subsampling=0, exif=exif)
    with Image.open(OUT / "turned.jpg") as decoded:
        stored = np.asarray(decoded.convert("RGB"))
    np.savetxt(OUT / "turned.csv", stored.reshape(-1, 3), fmt="%d", delimiter=",",
               header=f"stored pixels of turned.jpg, 48 x 32, by Pillow {PIL.__version__}")


def mosaic_header(extra=()):
    header = fits.Header()
    for key, val in [("BAYERPAT", "GBRG"), ("DATE-OBS", "2026-08-12T21:14:05.041"), ("EXPTIME", 90.5),
                     ("FOCALLEN", 24.0), ("XPIXSZ", 4.35), ("INSTRUME", "Camera 7"), ("TELESCOP", "24 mm"),
                     ("ISO", 1600), ("SATURATE", 60000.0), ("PEDESTAL", 64), *extra]:
        header[key] = val
    return header


def fits_files():
    grey = picture(1, 65535, np.uint16)[:, :, 0]
    write = lambda name, hdu: hdu.writeto(OUT / name, overwrite=True)
    write("mosaic-bottom-up.fits", fits.PrimaryHDU(grey[::-1], mosaic_header()))
    write("mosaic-top-down.fits", fits.PrimaryHDU(grey, mosaic_header([("ROWORDER", "TOP-DOWN")])))
    moved = [("BAYERPAT", "RGGB"), ("XBAYROFF", 1), ("YBAYROFF", 0), ("ROWORDER", "TOP-DOWN")]
    write("mosaic-moved.fits", fits.PrimaryHDU(grey, mosaic_header(moved)))
    write("int16.fits", fits.PrimaryHDU((grey.astype(np.int32) // 2).astype(np.int16)[::-1]))
    write("float.fits", fits.PrimaryHDU((grey[::-1] / np.float32(65536)).astype(np.float32)))
    cube = np.moveaxis(picture(3, 65535, np.uint16), 2, 0)[:, ::-1]
    write("cube.fits", fits.PrimaryHDU(cube))
    packed = fits.CompImageHDU(grey[::-1], mosaic_header(), compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), packed]).writeto(OUT / "mosaic-rice.fits", overwrite=True)


def foreign_dng():
    """A big-endian DNG by another writer, with a masked border, an active area, an odd crop, four black
    levels, its white point by chromaticity, and a D50 matrix; LibRaw's reading of it goes beside it."""
    w, h = 40, 30  # LibRaw takes nothing much smaller
    full = picture(1, 4095, np.uint16, w, h)[:, :, 0]
    border = np.full((h + 6, w + 8), 130, np.uint16)
    border[4 : 4 + h, 6 : 6 + w] = full
    srational = lambda values: [v for x in values for v in (int(round(x * 10000)), 10000)]
    matrix = [0.7034, -0.0804, -0.1014, -0.4420, 1.2564, 0.2058, -0.0851, 0.1994, 0.5758]
    tags = [
        (274, "H", 1, 1, True), (271, "s", 0, "Maker", True), (272, "s", 0, "Model 6", True),
        (33421, "H", 2, (2, 2), True), (33422, "B", 4, bytes([1, 0, 2, 1]), True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True), (50707, "B", 4, bytes([1, 1, 0, 0]), True),
        (50708, "s", 0, "Maker Model 6", True), (50713, "H", 2, (2, 2), True),
        (50714, "H", 4, (128, 129, 130, 131), True), (50717, "I", 1, 4000, True),
        (50719, "I", 2, (1, 2), True), (50720, "I", 2, (w - 2, h - 4), True),
        (50721, "2i", 9, srational(matrix), True), (50728, "2I", 3, (1, 2, 1, 1, 5, 8), True),
        (50778, "H", 1, 23, True), (50829, "I", 4, (4, 6, 4 + h, 6 + w), True),
        (254, "I", 1, 0, True),
    ]
    tifffile.imwrite(OUT / "foreign.dng", border, photometric=32803, byteorder=">", extratags=tags, software=False)
    return read_dng("foreign.dng")


def fnv1a(data):
    state = 0xCBF29CE484222325
    for byte in data:
        state = (state ^ byte) * 0x100000001B3 % 2**64
    return f"{state:016x}"


def read_dng(name):
    with rawpy.imread(str(OUT / name)) as raw:
        visible = raw.raw_image_visible
        colours = raw.raw_colors_visible
        desc = raw.color_desc.decode()
        return {
            "size": [int(visible.shape[1]), int(visible.shape[0])],
            "pattern": "".join(desc[colours[y, x]] for y in (0, 1) for x in (0, 1)),
            "black": [int(b) for b in raw.black_level_per_channel],
            "white": int(raw.white_level),
            "camera_white_balance": [float(v) for v in raw.camera_whitebalance],
            "first_row": [int(v) for v in visible[0][:16]],
            "fnv1a_little_endian_u16": fnv1a(visible.astype("<u2").tobytes()),
        }


def colours():
    # The matrices as the primaries give them, not as the standards round them.
    for space in ("sRGB", "ITU-R BT.2020"):
        colour.RGB_COLOURSPACES[space].use_derived_transformation_matrices(True)
    srgb, rec2020 = colour.RGB_COLOURSPACES["sRGB"], colour.RGB_COLOURSPACES["ITU-R BT.2020"]
    return {
        "srgb_to_linear": [float(colour.models.eotf_sRGB(i / 255)) for i in range(256)],
        "srgb_to_rec2020": colour.matrix_RGB_to_RGB(srgb, rec2020).tolist(),
        "rec2020_to_xyz": rec2020.matrix_RGB_to_XYZ.tolist(),
        "bradford_d65_to_d50": colour.adaptation.matrix_chromatic_adaptation_VonKries(
            colour.xy_to_XYZ([0.3127, 0.3290]), colour.xy_to_XYZ([0.3457, 0.3585]), "Bradford").tolist(),
    }


def main():
    OUT.mkdir(parents=True, exist_ok=True)
    tiffs()
    pngs()
    jpegs()
    fits_files()
    made = {
        "provenance": f"python {sys.version.split()[0]}, numpy {np.__version__}, tifffile {tifffile.__version__}, "
        f"astropy {astropy.__version__}, Pillow {PIL.__version__}, rawpy {rawpy.__version__} "
        f"(LibRaw {'.'.join(map(str, rawpy.libraw_version))}), colour-science {colour.__version__}",
        "foreign.dng": foreign_dng(),
        "written.dng": read_dng("written.dng"),
        **colours(),
    }
    (OUT / "made.json").write_text(json.dumps(made, indent=1) + "\n")


main()
