"""Reference pictures for the demosaic tests.

Run with: python3 demosaic.py   (writes into ../fixtures)
Made with Python 3.11, numpy 2.4.6, colour-demosaicing 0.2.7, colour-science 0.4.7,
scikit-image 0.26.0, pillow 13.0.0.

demosaic_menon.f32   for each phase RGGB, BGGR, GRBG, GBRG: mosaic (H x W), then the result of
                     demosaicing_CFA_Bayer_Menon2007 with refining (H x W x 3), little-endian f32,
                     H = 32, W = 40. Values from -0.05 to 1: smooth colour, an edge, points, noise.
natural.png          a 144 x 112 crop of the photograph of a cat by Stefan van der Walt that scikit-image
                     ships as data.chelsea() (CC0), 8-bit sRGB.
"""

from pathlib import Path

import numpy as np
import skimage.data
from colour_demosaicing import demosaicing_CFA_Bayer_Menon2007
from PIL import Image

HERE = Path(__file__).parent
OUT = HERE.parent / "fixtures"
H, W = 32, 40


def scene():
    y, x = np.mgrid[0:H, 0:W].astype(float)
    rng = np.random.default_rng(20261124)
    rgb = np.stack([0.2 + 0.005 * x, 0.15 + 0.004 * y, 0.3 - 0.003 * x], -1)
    rgb[y > 18 + 0.3 * x] *= 0.2
    for cx, cy, peak in [(8.3, 6.1, 0.7), (27.6, 11.4, 0.5), (20.0, 3.5, 0.3)]:
        spot = peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 0.85**2))
        rgb += spot[..., None] * [1.0, 0.9, 0.8]
    return rgb + rng.normal(0, 0.02, rgb.shape)


def mosaic_of(rgb, pattern):
    out = np.empty(rgb.shape[:2])
    for i, letter in enumerate(pattern):
        dy, dx = divmod(i, 2)
        out[dy::2, dx::2] = rgb[dy::2, dx::2, "RGB".index(letter)]
    return out


def main():
    rgb = scene()
    with open(OUT / "demosaic_menon.f32", "wb") as f:
        for pattern in ["RGGB", "BGGR", "GRBG", "GBRG"]:
            mosaic = mosaic_of(rgb, pattern).astype("<f4")
            result = demosaicing_CFA_Bayer_Menon2007(mosaic.astype(float), pattern, refining_step=True)
            f.write(mosaic.tobytes())
            f.write(np.asarray(result, "<f4").tobytes())
    crop = skimage.data.chelsea()[60:172, 130:274]
    Image.fromarray(crop).save(OUT / "natural.png", optimize=True)


main()
