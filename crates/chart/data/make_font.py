"""The letters that charts are drawn with as PNG and PDF: Roboto 2.138, regular and bold, without kerning and hints.

    apt-get download fonts-roboto-unhinted    # 2:0~20170802-3
    dpkg -x fonts-roboto-unhinted_*.deb roboto
    pip install fonttools==4.68.0
    python3 make_font.py roboto/usr/share/fonts/truetype/roboto/unhinted/RobotoTTF      # in crates/chart/data

Kept are Latin with its extensions, Greek, Cyrillic, punctuation and the signs of mathematics. Without layout tables every
program that draws with these files sets the same letters at the same places.
"""

import pathlib
import sys

import fontTools
from fontTools import subset

assert fontTools.__version__ == "4.68.0", fontTools.__version__
BLOCKS = [(0x20, 0x24F), (0x300, 0x36F), (0x370, 0x52F), (0x1E00, 0x1EFF), (0x2000, 0x20CF), (0x2100, 0x218F), (0x2200, 0x22FF)]
options = subset.Options(
    layout_features=[],
    hinting=False,
    drop_tables=["GPOS", "GSUB", "GDEF", "kern", "DSIG", "gasp", "LTSH", "VDMX", "hdmx"],
    notdef_outline=True,
    name_IDs=[0, 1, 2, 4, 5, 6, 13, 14],
    recalc_timestamp=False,
)
for face in ("Regular", "Bold"):
    font = subset.load_font(pathlib.Path(sys.argv[1]) / f"Roboto-{face}.ttf", options)
    subsetter = subset.Subsetter(options)
    subsetter.populate(unicodes=[code for first, last in BLOCKS for code in range(first, last + 1)])
    subsetter.subset(font)
    subset.save_font(font, f"roboto-{face.lower()}.ttf", options)
