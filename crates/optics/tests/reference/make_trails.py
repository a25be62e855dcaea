"""Makes trails.csv: trails of a fixed and of a tracking camera by numerical integration.

Provenance: numpy 2 only, no code shared with the crate. Stars by spherical trigonometry (altitude and
azimuth from hour angle and declination), the camera's axes from altitude and azimuth, the tracker by
Rodrigues' formula on the camera's axes, path lengths as sums of chords of 4000 steps (300 on the grid of
73 x 49 places from which the worst is taken). Run here: python make_trails.py
"""
import numpy as np

RATE = np.radians(15.041067 / 3600.0)  # IERS Conventions 2010: 7.292115e-5 rad/s
rng = np.random.default_rng(20160914)


def unit(alt, az):
    """East, north, up."""
    return np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)


def altaz(lat, dec, ha):
    sin_alt = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(ha)
    north = np.sin(dec) * np.cos(lat) - np.cos(dec) * np.cos(ha) * np.sin(lat)
    east = -np.cos(dec) * np.sin(ha)
    return np.arctan2(sin_alt, np.hypot(north, east)), np.arctan2(east, north)


def hadec(lat, v):
    """Hour angle and declination of directions in the ground frame."""
    e, n, u = v[..., 0], v[..., 1], v[..., 2]
    along = u * np.cos(lat) - n * np.sin(lat)
    up = n * np.cos(lat) + u * np.sin(lat)
    return np.arctan2(-e, along), np.arctan2(up, np.hypot(along, e))


def camera_axes(alt, az):
    """Right, down, forward of a level camera."""
    forward = unit(alt, az)
    right = np.array([np.cos(az), -np.sin(az), 0.0])
    up = unit(alt + np.pi / 2, az)
    return np.stack([right, -up, forward])


def rodrigues(v, k, angle):
    c, s = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    return v * c + np.cross(k, v) * s + k * (v @ k)[..., None] * (1 - c)


def paths(lat, dec, ha, seconds, axis, starts_mm, focal, steps):
    """Directions in the camera's frame and millimetres on the sensor, time first, star second."""
    t = np.linspace(0.0, seconds, steps + 1)
    axes = camera_axes(*altaz(lat, dec, ha))
    start = starts_mm[:, :1] * axes[0] + starts_mm[:, 1:] * axes[1] + focal * axes[2]
    h, d = hadec(lat, start)
    sky = unit(*altaz(lat, d[None, :], h[None, :] + RATE * t[:, None]))
    if axis is None:
        turned = np.broadcast_to(axes, (steps + 1, 3, 3))
    else:
        # With the sky: clockwise about the north pole, counter-clockwise about the south pole.
        sense = 1.0 if lat < 0 else -1.0
        turned = rodrigues(axes[None], unit(*axis), sense * RATE * t)
    seen = np.einsum("tij,tsj->tsi", turned, sky)
    return seen, focal * seen[..., :2] / seen[..., 2:]


def length(p):
    return np.linalg.norm(np.diff(p, axis=0), axis=-1).sum(axis=0)


def case(lat, dec, ha, focal, pitch, seconds, axis):
    args = (lat, dec, ha, seconds, axis)
    at = np.array([[0, 0], [-18, -12], [18, -12], [-18, 12], [18, 12]], float)
    seen, mm = paths(*args, at, focal, 4000)
    px = length(mm) / (pitch / 1000)
    gx, gy = np.meshgrid(np.linspace(-18, 18, 73), np.linspace(-12, 12, 49))
    _, grid = paths(*args, np.stack([gx.ravel(), gy.ravel()], 1), focal, 300)
    worst = max(length(grid).max() / (pitch / 1000), px.max())
    return [np.degrees(length(seen[:, 0])) * 3600, *px, worst]


focals = [14, 20, 24, 35, 50, 85, 135, 200]
with open("trails.csv", "w") as out:
    out.write("# numpy %s; see make_trails.py. axis empty: fixed camera\n" % np.__version__)
    out.write("lat,dec,ha_h,focal_mm,pitch_um,seconds,axis_alt,axis_az,arcsec,px,tl,tr,bl,br,worst\n")
    for n in range(240):
        focal = focals[n % 8]
        lat = rng.uniform(-90, 90)
        dec = rng.uniform(-90, 90)
        ha = rng.uniform(-6, 6)
        pitch = rng.choice([3.0, 3.76, 4.3, 5.95, 8.4])
        tracked = n % 3 != 0
        if tracked:
            seconds = float(rng.choice([15, 60, 120, 240, 600, 1800]))
            off = np.radians(10 ** rng.uniform(-1.7, 0.7))  # 1.2 arcmin to 5 degrees
            way = rng.uniform(0, 2 * np.pi)
            south = lat < 0
            pole = (abs(np.radians(lat)), np.pi if south else 0.0)
            p, up, right = unit(*pole), unit(pole[0] + np.pi / 2, pole[1]), np.array([1.0, 0, 0])
            a = p * np.cos(off) + (up * np.cos(way) + right * np.sin(way)) * np.sin(off)
            axis = np.round(np.degrees([np.arcsin(a[2]), np.arctan2(a[0], a[1]) % (2 * np.pi)]), 6)
        else:
            seconds = float(rng.choice([2, 5, 10, 20, 30, 120, 900]))
            axis = None
        lat, dec, ha = round(lat, 4), round(dec, 4), round(ha, 4)
        row = case(
            np.radians(lat), np.radians(dec), np.radians(15 * ha), focal, pitch, seconds,
            None if axis is None else np.radians(axis),
        )
        where = ["", ""] if axis is None else ["%.6f" % v for v in axis]
        out.write(",".join([f"{lat}", f"{dec}", f"{ha}", f"{focal}", f"{pitch}", f"{seconds:g}", *where]))
        out.write("," + ",".join("%.7g" % v for v in row) + "\n")
