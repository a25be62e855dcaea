"""Reference numbers for the colour tests, and the observer's table in src/colour/cie1931.rs.

Run with: python3 colour_tables.py   (writes ../fixtures/colour.csv and ../../src/colour/cie1931.rs)
Made with Python 3.11, numpy 2.4.6, colour-science 0.4.7.

colour.csv: name, then numbers.
"""

import csv
from pathlib import Path

import colour
import numpy as np

HERE = Path(__file__).parent
REC2020, SRGB = (colour.RGB_COLOURSPACES[n] for n in ("ITU-R BT.2020", "sRGB"))
CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
D65, D50 = (colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][n] for n in ("D65", "D50"))


def rows():
    for name, space in (("rec2020_to_xyz", REC2020), ("srgb_to_xyz", SRGB)):
        yield name, np.ravel(colour.normalised_primary_matrix(space.primaries, D65))
    to_srgb = np.linalg.inv(colour.normalised_primary_matrix(SRGB.primaries, D65))
    yield "rec2020_to_srgb", np.ravel(to_srgb @ colour.normalised_primary_matrix(REC2020.primaries, D65))
    yield "bradford_d65_d50", np.ravel(
        colour.adaptation.matrix_chromatic_adaptation_VonKries(
            colour.xy_to_XYZ(D65), np.array([0.9642, 1.0, 0.8249]), transform="Bradford"
        )
    )
    for linear in (0.0, 0.001, 0.0031, 0.0032, 0.02, 0.18, 0.5, 1.0):
        yield "srgb_encode", [linear, float(colour.models.eotf_inverse_sRGB(linear))]
    for kelvin in (1500, 2000, 2856, 3500, 4500, 5778, 6504, 8000, 10125, 15000, 30000):
        shape = colour.SpectralShape(360, 830, 1)
        sd = colour.sd_blackbody(kelvin, shape)
        xyz = colour.sd_to_XYZ(sd, CMFS.copy().align(shape), method="Integration")
        xyz = xyz / xyz[1]
        xy = colour.XYZ_to_xy(xyz)
        rgb = np.linalg.inv(colour.normalised_primary_matrix(REC2020.primaries, D65)) @ xyz
        yield "black_body", [kelvin, *xy, *rgb]


def observer():
    table = CMFS.copy().align(colour.SpectralShape(360, 830, 5))
    lines = [
        "//! The CIE 1931 standard colorimetric observer, 2°, at 5 nm (ISO/CIE 11664-1:2019, table).",
        "//! Written by `tests/reference/colour_tables.py`.",
        "",
        "/// First wavelength, nanometres.",
        "pub(super) const FIRST_NM: f64 = 360.0;",
        "/// Step, nanometres.",
        "pub(super) const STEP_NM: f64 = 5.0;",
        "",
        "/// x̄, ȳ, z̄ from 360 to 830 nm.",
        "#[rustfmt::skip]",
        "pub(super) const CIE_1931: [[f64; 3]; 95] = [",
    ]
    for values in table.values:
        numbers = (f"{v:.10g}" for v in values)
        lines.append("    [" + ", ".join(n if "." in n or "e" in n else n + ".0" for n in numbers) + "],")
    return "\n".join([*lines, "];"]) + "\n"


with open(HERE.parent / "fixtures" / "colour.csv", "w", newline="") as f:
    f.write("# made by tests/reference/colour_tables.py with colour-science 0.4.7\n")
    for name, numbers in rows():
        csv.writer(f, lineterminator="\n").writerow([name, *(f"{v:.12g}" for v in numbers)])
(HERE.parent.parent / "src" / "colour" / "cie1931.rs").write_text(observer(), encoding="utf-8")
