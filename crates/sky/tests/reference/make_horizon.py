"""Exact horizons of analytic terrain, and UTM coordinates: writes horizon.csv and utm.csv beside this file.

The horizon is searched along geodesics (pyproj.Geod on WGS 84) with every point put into Earth-centred
coordinates and seen from the eye's local frame; refraction bends the ray upwards by k·distance/(2R). No
grid, no effective radius and no code of this project takes part. `terrain` below is the definition that the
Rust test repeats to fill its tiles.
"""
import math
from pathlib import Path

import numpy as np
import pyproj

HERE = Path(__file__).parent
GEOD = pyproj.Geod(ellps="WGS84")
ECEF = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
K = 0.13
EYE = 1.6

# name: observer lat, lon; kind; centre lat, lon; base, top (m); parameter; azimuths from, to, step; reach (m)
CASES = {
    "cone": (46.5, 8.5, "cone", 46.55, 8.6, 500.0, 2500.0, 0.6, 36.0, 78.0, 1.0, 30e3),
    "ridge": (60.5, -7.5, "ridge", 60.5, -7.25, 300.0, 1800.0, 1.0, 45.0, 135.0, 5.0, 40e3),
    "dome": (-33.5, 19.5, "dome", -33.6, 19.4, 200.0, 1700.0, 9000.0, 195.0, 250.0, 2.0, 40e3),
    "far": (0.5, 10.5, "cone", 0.5, 11.5, 0.0, 4000.0, 0.15, 84.0, 96.0, 1.0, 140e3),
    "oblique": (46.5, 8.5, "cone", 47.25, 9.25, 100.0, 3000.0, 0.2, 28.0, 46.0, 1.0, 120e3),
}


def terrain(case, lat, lon):
    _, _, kind, lat0, lon0, base, top, p, *_ = case
    x = (lon - lon0) * 111320.0 * math.cos(math.radians(lat0))
    y = (lat - lat0) * 111000.0
    if kind == "cone":
        return np.maximum(base, top - p * np.hypot(x, y))
    if kind == "ridge":
        return np.maximum(base, top - p * np.abs(x))
    return np.maximum(base, np.sqrt(np.maximum(p * p - x * x - y * y, 0.0)) - p + top)


def altitudes(case, azimuth, distances):
    lat, lon, *_ = case
    n = len(distances)
    ones = np.ones(n)
    lons, lats, _ = GEOD.fwd(lon * ones, lat * ones, azimuth * ones, distances)
    h = terrain(case, lats, lons)
    point = np.array(ECEF.transform(lons, lats, h))
    eye = np.array(ECEF.transform(lon, lat, case[5] + EYE))
    d = point - eye[:, None]
    la, lo = math.radians(lat), math.radians(lon)
    east = np.array([-math.sin(lo), math.cos(lo), 0.0])
    north = np.array([-math.sin(la) * math.cos(lo), -math.sin(la) * math.sin(lo), math.cos(la)])
    up = np.array([math.cos(la) * math.cos(lo), math.cos(la) * math.sin(lo), math.sin(la)])
    geometric = np.degrees(np.arctan2(up @ d, np.hypot(east @ d, north @ d)))
    a, e2 = 6378137.0, GEOD.es
    w2 = 1 - e2 * math.sin(la) ** 2
    across, along = a / math.sqrt(w2), a * (1 - e2) / w2**1.5
    az = math.radians(azimuth)
    radius = 1 / (math.cos(az) ** 2 / along + math.sin(az) ** 2 / across)
    return geometric + np.degrees(K * distances / (2 * radius))


def highest(case, azimuth):
    reach = case[-1]
    distances = np.arange(200.0, reach, 10.0)
    a = altitudes(case, azimuth, distances)
    best = distances[a.argmax()]
    for width in (10.0, 0.1):
        distances = np.linspace(best - width, best + width, 2001)
        a = altitudes(case, azimuth, distances)
        best = distances[a.argmax()]
    return a.max(), best


def main():
    source = f"# pyproj {pyproj.__version__}, PROJ {pyproj.proj_version_str}, numpy {np.__version__}; make_horizon.py\n"
    with open(HERE / "horizon.csv", "w") as out:
        out.write(source + "case,azimuth_deg,altitude_deg,distance_m\n")
        for name, case in CASES.items():
            first, last, step = case[8:11]
            for azimuth in np.arange(first, last + step / 2, step):
                altitude, distance = highest(case, azimuth)
                out.write(f"{name},{azimuth:.1f},{altitude:.6f},{distance:.1f}\n")
    rng = np.random.default_rng(20260912)
    with open(HERE / "utm.csv", "w") as out:
        out.write(source + "zone,latitude_deg,longitude_deg,easting_m,northing_m\n")
        for n in range(60):
            zone, south = int(rng.integers(1, 61)), bool(rng.integers(0, 2))
            lat = rng.uniform(-80, 0) if south else rng.uniform(0, 84)
            lon = zone * 6 - 183 + rng.uniform(-3, 3) * (3 if n % 3 == 0 else 1)
            lon = (lon + 180) % 360 - 180
            crs = f"EPSG:{(32700 if south else 32600) + zone}"
            to = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
            lat, lon = round(lat, 9), round(lon, 9)
            x, y = to.transform(lon, lat)
            out.write(f"{zone}{'S' if south else 'N'},{lat:.9f},{lon:.9f},{x:.6f},{y:.6f}\n")


main()
