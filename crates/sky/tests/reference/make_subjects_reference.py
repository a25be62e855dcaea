"""Makes boundaries.csv, galactic.csv, arch.csv, ecliptic.csv and deep_sky_sample.csv for the tests of the subjects.

    pip install astropy==8.0.2 pyerfa==2.0.1.5 numpy
    pip download --no-deps pyongc==1.2.2 && unzip pyongc-1.2.2-py3-none-any.whl
    python3 make_subjects_reference.py path/to/pyongc/ongc.db

boundaries.csv: constellation of random places by astropy's get_constellation (places given as GCRS, so that no aberration
    is in them). galactic.csv: galactic coordinates by astropy. arch.csv: the galactic equator by astropy's AltAz
    without air: altitude and azimuth at longitude 0 and 100 degrees; the highest point among 36 000; the lean at 0, as the
    direction from there to 0.01 degrees further. ecliptic.csv: the sun's apparent longitude on the ecliptic of J2000
    (erfa's epv00, ab and ecm06) and, by AltAz, where among 36 000 points the ecliptic crosses the horizon on the sun's side
    and how steeply. deep_sky_sample.csv: every eighth object of OpenNGC that make_subjects.py takes over.
"""
import sqlite3
import sys
import warnings

import astropy
import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_constellation
from astropy.time import Time
from astropy.utils import iers

warnings.simplefilter("ignore")
iers.conf.auto_download = False
iers.conf.iers_degraded_accuracy = "warn"
iers.conf.auto_max_age = None
HEADER = f"# make_subjects_reference.py, astropy {astropy.__version__}, pyerfa {erfa.__version__}"
SITES = [(46.5, 8.0), (-30.2, -70.7), (0.3, 32.5), (69.6, 18.9), (-45.0, 168.7), (36.0, -117.0)]


def write(name, head, rows):
    with open(name, "w") as out:
        out.write("\n".join([HEADER, head, *rows]) + "\n")


def boundaries(rng):
    ra, dec = rng.uniform(0, 360, 2400).round(3), np.degrees(np.arcsin(rng.uniform(-1, 1, 2400))).round(3)
    found = get_constellation(SkyCoord(ra * u.deg, dec * u.deg, frame="gcrs"), short_name=True)
    assert len(set(found)) == 88
    write("boundaries.csv", "ra_deg,dec_deg,constellation", [f"{r:g},{d:g},{c}" for r, d, c in zip(ra, dec, found)])


def galactic(rng):
    ra, dec = rng.uniform(0, 360, 40), np.degrees(np.arcsin(rng.uniform(-1, 1, 40)))
    g = SkyCoord(ra * u.deg, dec * u.deg).galactic
    rows = [f"{a:.9f},{b:.9f},{c:.9f},{d:.9f}" for a, b, c, d in zip(ra, dec, g.l.deg, g.b.deg)]
    write("galactic.csv", "ra_deg,dec_deg,l_deg,b_deg", rows)


def horizontal(points, time, lat, lon):
    site = EarthLocation(lat=lat * u.deg, lon=lon * u.deg, height=0 * u.m)
    seen = points.transform_to(AltAz(obstime=time, location=site))
    return seen.alt.deg, seen.az.deg


def rise_of(alt, az):
    """Angle of the way from the first point to the second, from the right-hand side counter-clockwise, 0 to 180."""
    across = ((az[1] - az[0] + 180) % 360 - 180) * np.cos(np.radians(alt[0]))
    return np.degrees(np.arctan2(alt[1] - alt[0], across)) % 180


def moments(rng, n):
    for i in range(n):
        time = Time(Time(2452000.5 + rng.uniform(0, 8500), format="jd").isot[:19], scale="utc")
        time.delta_ut1_utc = 0.0  # UT1 is taken as UTC
        yield SITES[i % len(SITES)], time


def arch(rng):
    rows = []
    circle = SkyCoord(np.arange(36_000) / 100 * u.deg, np.zeros(36_000) * u.deg, frame="galactic")
    for (lat, lon), time in moments(rng, 18):
        alt, az = horizontal(circle, time, lat, lon)
        top = np.argmax(alt)
        rows.append(f"{time.isot}Z,{lat},{lon},{alt[0]:.4f},{az[0]:.4f},{alt[10_000]:.4f},{az[10_000]:.4f},"
                    f"{top / 100:.2f},{alt[top]:.4f},{az[top]:.4f},{rise_of(alt[:2], az[:2]):.2f}")
    write("arch.csv", "utc,lat_deg,lon_deg,alt0,az0,alt100,az100,top_l,top_alt,top_az,lean0", rows)


def ecliptic(rng):
    rows = []
    to_ecliptic = erfa.ecm06(2451545.0, 0.0)
    for (lat, lon), time in moments(rng, 18):
        helio, bary = erfa.epv00(time.tdb.jd1, time.tdb.jd2)
        v = bary["v"] * 499.004783836 / 86400
        speed = np.linalg.norm(v)
        # The light time of the sun's own motion about the barycentre is under 0.01 arcseconds.
        geometric = -helio["p"] / np.linalg.norm(helio["p"])
        seen = to_ecliptic @ erfa.ab(geometric, v, np.linalg.norm(helio["p"]), np.sqrt(1 - speed**2))
        longitude = np.degrees(np.arctan2(seen[1], seen[0])) % 360
        angles = np.radians(longitude + np.arange(-9_000, 9_001) / 100)
        xyz = to_ecliptic.T @ np.stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)])
        alt, az = horizontal(SkyCoord(*xyz, representation_type="cartesian", frame="icrs"), time, lat, lon)
        foot = np.flatnonzero(np.diff(np.sign(alt)))[0]
        steep = rise_of(alt[foot:foot + 2], az[foot:foot + 2])
        rows.append(f"{time.isot}Z,{lat},{lon},{longitude:.6f},{az[foot]:.3f},{min(steep, 180 - steep):.3f},"
                    f"{alt[13_500]:.4f},{az[13_500]:.4f}")
    write("ecliptic.csv", "utc,lat_deg,lon_deg,longitude,foot_az,steepness,alt45east,az45east", rows)


def deep_sky_sample(database):
    taken = [l.split(";") for l in open("../../data/deep_sky.csv", encoding="utf8") if l.strip().endswith(";ongc")]
    db = sqlite3.connect(database)
    rows = []
    for designations in [r[0].split(",") for r in taken[::8]]:
        name = designations[-1].split(" ")
        long = {"NGC": "NGC{:04}", "IC": "IC{:04}"}.get(name[0])
        if not long:
            continue
        ra, dec = db.execute("select ra, dec from objects where name = ?", (long.format(int(name[1])),)).fetchone()
        rows.append(f"{designations[0]},{np.degrees(ra):.5f},{np.degrees(dec):.5f}")
    write("deep_sky_sample.csv", "designation,ra_deg,dec_deg", rows)


if __name__ == "__main__":
    generator = np.random.default_rng(1930)
    boundaries(generator)
    galactic(generator)
    arch(generator)
    ecliptic(generator)
    deep_sky_sample(sys.argv[1])
