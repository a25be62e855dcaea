"""Makes places.csv: where bright lone stars stand in a sky and a land frame of the test scenario.

    pip install astropy==8.0.2 pyerfa==2.0.1.5 numpy
    python3 make_places.py path/to/hip2.dat

Written from the published formulas, apart from the crate: proper motion and precession by pyerfa (equinox-based,
UT1 = UTC, no polar motion, no aberration), refraction after Saemundsson 1986, a rectilinear lens with
r(1 + k1 r^2 + k2 r^4), the camera turned about the tracker's axis at the rate of the Earth.
"""
import sys

import astropy
import erfa
import numpy as np
from astropy.time import Time, TimeDelta

W, H, FOCAL = 900, 600, 24.0 / (36.0 / 900)
CENTRE = ((W - 1) / 2 + 0.001 * W, (H - 1) / 2 - 0.0006 * W)
K = (-0.03, 0.004)
LAT, LON = np.radians(45.42), np.radians(24.10)
SCALE = 872.0 / 1010.0 * 283.0 / (273.0 - 4.0)
START = Time("2024-11-20T18:42:20", scale="utc")
RATE = 2 * np.pi * 1.00273781191135448 / 86400
EXPOSURE = 90.0
AXIS_EAST, AXIS_UP = np.radians(-5.0 / 60), np.radians(3.5 / 60)
PERIODIC, PERIOD = np.radians(20.0 / 3600), 480.0
LAND_START = 90.0 + 2640.0


def aimed(azimuth, altitude, roll):
    az, alt, roll = np.radians([azimuth, altitude, roll])
    forward = np.array([np.sin(az) * np.cos(alt), np.cos(az) * np.cos(alt), np.sin(alt)])
    right = np.array([np.cos(az), -np.sin(az), 0.0])
    down = np.cross(forward, right)
    # Rolled clockwise: the camera's right hand sinks.
    right, down = right * np.cos(roll) + down * np.sin(roll), down * np.cos(roll) - right * np.sin(roll)
    return np.array([right, down, forward])


def turn(axis, angle):
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


def pixel(camera, seconds, ra, dec):
    """Pixel and sine of the apparent altitude of ICRS directions."""
    time = START + TimeDelta(seconds, format="sec")
    tt = time.tt
    ra_date, dec_date = erfa.c2s(erfa.rxp(erfa.pnm06a(tt.jd1, tt.jd2), erfa.s2c(ra, dec)))
    angle = erfa.gst06a(time.jd1, time.jd2, tt.jd1, tt.jd2) + LON - ra_date
    az, alt = erfa.hd2ae(angle, dec_date, LAT)
    h = np.maximum(np.degrees(alt), -1.0)
    alt = alt + np.radians(SCALE * 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) / 60)
    ground = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
    x, y, z = camera @ ground
    x, y = x / z, y / z
    r2 = x * x + y * y
    seen = 1 + K[0] * r2 + K[1] * r2 * r2
    return np.where(z > 0.2, CENTRE[0] + FOCAL * seen * x, np.nan), np.where(z > 0.2, CENTRE[1] + FOCAL * seen * y, np.nan), np.sin(alt)


def sky_camera(t):
    axis = np.array([0, np.cos(LAT), np.sin(LAT)]) + np.tan(AXIS_EAST) * np.array([1, 0, 0])
    axis = axis + np.tan(AXIS_UP) * np.array([0, -np.sin(LAT), np.cos(LAT)])
    return aimed(281.0, 31.5, 7.5) @ turn(axis / np.linalg.norm(axis), RATE * t + PERIODIC * np.sin(2 * np.pi * t / PERIOD))


def main(source):
    lines = [l for l in open(source, encoding="ascii") if float(l[129:136]) < 10]
    column = lambda a, b: np.array([float(l[a:b]) for l in lines])
    hip = np.array([int(l[0:6]) for l in lines])
    ra, dec, pm_ra, pm_dec, hp = column(15, 28), column(29, 42), column(51, 59), column(60, 68), column(129, 136)
    years = (START.jd - 2448349.0625) / 365.25
    mas = np.radians(1 / 3.6e6)
    ra, dec = ra + pm_ra * mas * years / np.cos(dec), dec + pm_dec * mas * years
    rows = [f"# make_places.py, astropy {astropy.__version__}, pyerfa {erfa.__version__}", "frame,hip,x_px,y_px"]
    for frame, start, camera in (("sky", 0.0, sky_camera), ("land", LAND_START, lambda t: aimed(291.0, 18.0, -0.3))):
        moments = start + EXPOSURE * np.arange(61) / 60
        track = np.array([pixel(camera(t), t, ra, dec) for t in moments])
        x, y, up = track[:, 0].mean(0), track[:, 1].mean(0), track[:, 2].mean(0)
        inside = (x > 30) & (y > 30) & (x < W - 30) & (y < H - 30) & (up > 0.3)
        chosen = []
        for i in np.flatnonzero(inside & (hp > 4.4) & (hp < 6.6)):
            # The test night holds no star fainter than V = 8. None within the trail's width, none of
            # nearly the same brightness in the window about it.
            far = np.hypot(x - x[i], y - y[i])
            near = ((far < 8) & (hp < 8.1)) | ((far < 13) & (hp < hp[i] + 1.3))
            if near.sum() == 1:
                chosen.append(i)
        for i in sorted(chosen, key=lambda i: hp[i])[:10]:
            rows.append(f"{frame},{hip[i]},{x[i]:.4f},{y[i]:.4f}")
    open("places.csv", "w").write("\n".join(rows) + "\n")


if __name__ == "__main__":
    main(sys.argv[1])
