"""Widths of Helvetica and Helvetica-Bold in WinAnsi encoding, from Adobe's metrics of the 14 standard fonts.

Taken from reportlab 5.1.0 (pip install reportlab==5.1.0), which carries those metrics.
Writes ../src/sheet/pdf/widths.rs.
"""

import pathlib

import reportlab
from reportlab.pdfbase.pdfmetrics import Font

assert reportlab.__version__ == "5.1.0", reportlab.__version__
OUT = pathlib.Path(__file__).parent / "../src/sheet/pdf/widths.rs"


def table(name):
    widths = Font(name, name, "WinAnsiEncoding").widths[32:256]
    rows = [widths[i : i + 16] for i in range(0, 224, 16)]
    return "\n".join("    " + ", ".join(map(str, row)) + "," for row in rows)


OUT.write_text(
    f"""//! Widths in thousandths of the size, characters 32 to 255 of WinAnsi; made by data/make_helvetica.py.

/// Helvetica.
#[rustfmt::skip]
pub(super) const REGULAR: [u16; 224] = [
{table("Helvetica")}
];

/// Helvetica-Bold.
#[rustfmt::skip]
pub(super) const BOLD: [u16; 224] = [
{table("Helvetica-Bold")}
];
"""
)
