"""Frames of a camera on a tracker off the pole, by vectors alone: writes axis.csv, to which the axis is held.

    pip install numpy==2.4.6 pyerfa==2.0.1.5
    python3 make_axis.py path/to/crates/sky/data/stars.bin > axis.csv

Independent of the crates but for the catalogue's places: apparent directions by ERFA's atco13 (UT1 taken as UTC, no
air), refraction by Bennett's formula with Meeus's factors turned round by bisection, axis and camera as numpy
vectors and Rodrigues' formula. The axis is set by its error in altitude and azimuth against the refracted pole;
pixels are rectilinear, without noise but rounded to 0.001.

rig rows: number, latitude, longitude, elevation, pressure, temperature, focal length and size in pixels, exposure,
altitude error and azimuth error (east positive, times the cosine of the pole's altitude) in arcminutes.
frame rows: rig, frame, start of the exposure (UTC), turn about the axis by hand in degrees.
star rows: rig, frame, HIP, x, y.
"""
import struct
import sys

import erfa
import numpy as np

print(f"# make_axis.py, pyerfa {erfa.__version__}, numpy {np.__version__}")
SIDEREAL = 2 * np.pi * 1.00273781191135448 / 86400
data = open(sys.argv[1], "rb").read()
STARS = []
for i in range(0, len(data), 24):
    hip, ra, dec, east, north, v, _ = struct.unpack("<IIiiihh", data[i:i + 24])
    if v < 6200:
        STARS.append((hip, ra * 2 * np.pi / 2**32, dec * 2 * np.pi / 2**32, east * 1e-5, north * 1e-5))


def lift(true, pressure, temperature):
    """Apparent altitude, degrees, by bisection of apparent - R(apparent) = true."""
    def refraction(h):
        return (pressure / 1010 * 283 / (273 + temperature)) / np.tan(np.radians(h + 7.31 / (h + 4.4))) / 60
    low, high = true, true + 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if middle - refraction(middle) < true:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def direction(altitude, azimuth):
    """East, north, up from degrees."""
    alt, az = np.radians(altitude), np.radians(azimuth)
    return np.array([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])


def turn(v, axis, angle):
    """Rodrigues' formula."""
    return v * np.cos(angle) + np.cross(axis, v) * np.sin(angle) + axis * np.dot(axis, v) * (1 - np.cos(angle))


def seen(rig, utc1, utc2):
    """Apparent refracted directions of all stars above 3 degrees."""
    lat, lon, elevation, pressure, temperature = rig
    out = []
    for hip, ra, dec, east, north in STARS:
        years = (utc1 - 2448349.0625 + utc2) / 365.25
        as2r = np.pi / 180 / 3600
        ra1 = ra + east * years * as2r / np.cos(dec)
        dec1 = dec + north * years * as2r
        az, zd = erfa.atco13(ra1, dec1, 0, 0, 0, 0, utc1, utc2, 0, np.radians(lon), np.radians(lat),
                             elevation, 0, 0, 0, 0, 0, 0.55)[:2]
        altitude = 90 - np.degrees(zd)
        if altitude > 3:
            out.append((hip, direction(lift(altitude, pressure, temperature), np.degrees(az))))
    return out


RIGS = [
    # latitude, longitude, elevation, pressure, temperature | focal px | exposure | up, east | aim | frames: s, by hand
    ((51.5, -1.2, 90, 1000, 4), 4000, 30, (22.0, 9.0), (200, 40), ((0, 0), (300, 0))),
    ((51.5, -1.2, 90, 1000, 4), 4000, 30, (-22.0, 9.0), (95, 35), ((0, 0), (300, 0), (500, 0))),
    ((38.0, 140.0, 700, 930, 12), 8000, 60, (-35.0, -48.0), (310, 55), ((0, 0), (90, 60))),
    ((27.9, -17.0, 2200, 780, 8), 5500, 20, (14.0, -31.0), (150, 45), ((0, 0), (300, 0))),
    ((-33.9, 18.5, 300, 980, 15), 4000, 30, (22.0, 9.0), (20, 45), ((0, 0), (300, 0))),
    ((-45.0, 170.0, 400, 970, 2), 4000, 30, (-22.0, 9.0), (340, 40), ((0, 0), (300, 0), (420, 0))),
    ((-23.0, -68.2, 2400, 760, 3), 6000, 45, (40.0, -26.0), (120, 50), ((0, 0), (75, -45))),
    ((-42.9, 147.3, 50, 1012, 9), 9000, 30, (-12.0, -17.0), (270, 48), ((0, 0), (360, 0))),
]
SIZE = (6000, 4000)
for number, (site, focal, exposure, (up, east), (aim_az, aim_alt), frames) in enumerate(RIGS):
    lat, pressure, temperature = site[0], site[3], site[4]
    pole_alt, pole_az = lift(abs(lat), pressure, temperature), 0.0 if lat > 0 else 180.0
    # East of the pole is a larger azimuth in the north and a smaller one in the south.
    azimuth = pole_az + (1 if lat > 0 else -1) * east / 60 / np.cos(np.radians(pole_alt))
    axis = direction(pole_alt + up / 60, azimuth)
    print("rig", number, *site, focal, *SIZE, exposure, up, east, sep=",")
    forward = direction(aim_alt, aim_az)
    right = np.cross(forward, [0, 0, 1])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    day = 2461322.5 + number * 17  # 2026-10-08 and later
    for frame, (seconds, by_hand) in enumerate(frames):
        start = 0.83 + 0.02 * number + seconds / 86400
        y, m, d, h = erfa.jd2cal(day, start)
        s = round(h * 86400)
        stamp = f"{y:04d}-{m:02d}-{d:02d}T{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}Z"
        base = erfa.cal2jd(y, m, d)
        utc1, utc2 = base[0] + base[1], (s + exposure / 2) / 86400
        print("frame", number, frame, stamp, by_hand, sep=",")
        # With the sky: westward, so backwards about the north pole and forwards about the south pole.
        first = round(erfa.jd2cal(day, 0.83 + 0.02 * number)[3] * 86400)
        elapsed = s - first + exposure / 2
        angle = (-1 if lat > 0 else 1) * (SIDEREAL * elapsed + np.radians(by_hand))
        axes = [turn(v, axis, angle) for v in (right, down, forward)]
        count = 0
        for hip, star in seen(site, utc1, utc2):
            x, y_, z = (np.dot(a, star) for a in axes)
            if z <= 0.1:
                continue
            px, py = focal * x / z + (SIZE[0] - 1) / 2, focal * y_ / z + (SIZE[1] - 1) / 2
            if 0 < px < SIZE[0] - 1 and 0 < py < SIZE[1] - 1 and count < 40:
                count += 1
                print("star", number, frame, hip, f"{px:.3f}", f"{py:.3f}", sep=",")
