"""Writes src/magnetic/coefficients.rs from the World Magnetic Model's coefficient files.

The files WMM_2020.COF and WMM_2025.COF (NOAA NCEI and British Geological Survey, public domain) are carried
unchanged by the Python package pygeomag 1.1.0. Usage: make_magnetic.py FOLDER_WITH_COF_FILES
"""
import sys
from pathlib import Path

HEAD = """//! Gauss coefficients of the World Magnetic Model: made by data/make_magnetic.py, not by hand.
//!
//! Rows in order of degree and order; g, h in nanotesla and their change in nanotesla a year.

"""

out = HEAD
for year, released in ((2020, "10 December 2019"), (2025, "13 November 2024")):
    lines = Path(sys.argv[1], f"WMM_{year}.COF").read_text().splitlines()
    assert lines[0].split()[:2] == [f"{year}.0", f"WMM-{year}"]
    rows = [line.split() for line in lines[1:91]]
    assert [(int(r[0]), int(r[1])) for r in rows] == [(n, m) for n in range(1, 13) for m in range(n + 1)]
    out += f"/// WMM{year}, released {released}.\npub(super) const WMM{year}: [[f64; 4]; 90] = [\n"
    out += "".join(f"    [{', '.join(r[2:6])}],\n" for r in rows) + "];\n\n"
(Path(__file__).parent.parent / "src/magnetic/coefficients.rs").write_text(out.rstrip() + "\n")
