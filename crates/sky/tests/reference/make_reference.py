"""Makes ground.csv and stars.csv, against which the sky crate is held.

    pip install astropy==8.0.2 pyerfa==2.0.1.5 numpy
    python3 make_reference.py path/to/hip2.dat

ground.csv: true altitude and azimuth of ICRS directions by the equinox-based route of pyerfa (pnm06a, gst06a,
hd2ae; UT1 = UTC, no polar motion), which is not the route the crate takes; and astropy's AltAz without air,
which has aberration and the real UT1 in it.
stars.csv: rows of Hipparcos-2 as they stand, and where astropy moves the star to by J2025.0.
"""
import sys
import warnings

import astropy
import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

warnings.simplefilter("ignore")
iers.conf.auto_download = False
iers.conf.iers_degraded_accuracy = "warn"
HEADER = f"# make_reference.py, astropy {astropy.__version__}, pyerfa {erfa.__version__}"


def ground():
    rng = np.random.default_rng(20241120)
    rows = [HEADER, "utc,lat_deg,lon_deg,ra_deg,dec_deg,az_deg,alt_deg,astropy_az_deg,astropy_alt_deg"]
    for i in range(40):
        time = Time(2451545.0 + rng.uniform(0, 9000), format="jd", scale="utc")
        time = Time(time.isot[:19], scale="utc")
        lat, lon = rng.uniform(-80, 80), rng.uniform(-180, 180)
        ra, dec = rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1)))
        tt = time.tt
        direction = erfa.rxp(erfa.pnm06a(tt.jd1, tt.jd2), erfa.s2c(np.radians(ra), np.radians(dec)))
        ra_date, dec_date = erfa.c2s(direction)
        hour_angle = erfa.gst06a(time.jd1, time.jd2, tt.jd1, tt.jd2) + np.radians(lon) - ra_date
        az, alt = erfa.hd2ae(hour_angle, dec_date, np.radians(lat))
        site = EarthLocation(lat=lat * u.deg, lon=lon * u.deg, height=0 * u.m)
        seen = SkyCoord(ra * u.deg, dec * u.deg).transform_to(AltAz(obstime=time, location=site))
        rows.append(f"{time.isot}Z,{lat:.9f},{lon:.9f},{ra:.9f},{dec:.9f},{np.degrees(az):.9f},"
                    f"{np.degrees(alt):.9f},{seen.az.deg:.9f},{seen.alt.deg:.9f}")
    open("ground.csv", "w").write("\n".join(rows) + "\n")


def stars(source):
    lines = [l for l in open(source, encoding="ascii") if float(l[129:136]) < 7.9]
    fast = sorted(lines, key=lambda l: -np.hypot(float(l[51:59]), float(l[60:68])))[:12]
    bright = sorted(lines, key=lambda l: float(l[129:136]))[:12]
    rows = [HEADER, "hip,ra_rad,dec_rad,pm_ra_mas,pm_dec_mas,hp,b_v,ra_2025_deg,dec_2025_deg"]
    for l in sorted(set(fast + bright + lines[::900])):
        ra, dec, pm_ra, pm_dec = float(l[15:28]), float(l[29:42]), float(l[51:59]), float(l[60:68])
        star = SkyCoord(ra * u.rad, dec * u.rad, pm_ra_cosdec=pm_ra * u.mas / u.yr, pm_dec=pm_dec * u.mas / u.yr,
                        obstime=Time("J1991.25"))
        moved = star.apply_space_motion(Time("J2025.0"))
        rows.append(f"{int(l[0:6])},{ra},{dec},{pm_ra},{pm_dec},{float(l[129:136])},{float(l[152:158])},"
                    f"{moved.ra.deg:.10f},{moved.dec.deg:.10f}")
    open("stars.csv", "w").write("\n".join(rows) + "\n")


if __name__ == "__main__":
    ground()
    stars(sys.argv[1])
