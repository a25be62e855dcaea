"""Makes plate.csv: star centres of an open image and where its published plate solution puts them.

The image is the second frame of a pair in Cygnus taken through an 85 mm lens (2016-09-09T08:14:34, 700 x 700 pixels
of 10.3", MIT licence, carried by the PyPI source package panoptes-utils as a test file); its header holds the plate
solution, TAN-SIP, of its publishers. Where a copy's header has lost the first letters of the keys, they stand in the
comments before them. Run with astropy 7 and sep 1.4:

    python make_plate.py solved.fits plate.csv

Columns: x, y of the windowed centre (pixels from the middle of the first), flux, and right ascension and declination
(ICRS, degrees) by the published solution; the 400 brightest, brightest first.
"""
import re
import sys

import numpy as np
import sep
from astropy.io import fits
from astropy.wcs import WCS

KEYS = re.compile(r"(CRVAL|CRPIX|CTYPE|CUNIT|CD\d_|LONPOLE|LATPOLE|[AB]_)")


def number(text):
    text = str(text).strip().lstrip("= ")
    try:
        return float(text)
    except ValueError:
        return text


def solution(cards):
    header = fits.Header()
    cards = list(cards)
    for i, card in enumerate(cards):
        told = re.match(r'Original key: "(\S+)"', str(card.value)) if card.keyword == "COMMENT" else None
        key, value = (told.group(1), cards[i + 1].value) if told else (card.keyword, card.value)
        if KEYS.match(key):
            header[key] = int(number(value)) if key.endswith("ORDER") else number(value)
    return WCS(header)


hdu = fits.open(sys.argv[1])[0]
wcs = solution(hdu.header.cards)
raw = hdu.data.astype(np.float32)
# A mosaic of colours: the mean of each two by two pixels, half a pixel further right and down.
image = np.ascontiguousarray((raw[:-1, :-1] + raw[1:, :-1] + raw[:-1, 1:] + raw[1:, 1:]) / 4)
sky = sep.Background(image, bw=64, bh=64)
light = image - sky.back()
found = sep.extract(light, 5.0, err=sky.globalrms)
x, y, _ = sep.winpos(light, found["x"], found["y"], np.full(len(found), 1.3))
order = np.argsort(-found["flux"])[:400]
with open(sys.argv[2], "w", encoding="ascii") as out:
    out.write("x,y,flux,ra_deg,dec_deg\n")
    for i in order:
        ra, dec = wcs.all_pix2world(x[i] + 0.5, y[i] + 0.5, 0)
        out.write(f"{x[i] + 0.5:.3f},{y[i] + 0.5:.3f},{found['flux'][i]:.0f},{float(ra):.6f},{float(dec):.6f}\n")
