"""Skylines of real or rough terrain by another road, to hold ours to.

Without arguments: writes rough.tif (fractal land with a void, 3 arc-seconds) and rough.csv (its horizon).
With arguments LAT LON SKYLINE.CSV TILE…: computes the horizon from elevation tiles that the user has and says
how far a skyline.csv is from it.

Tiles are read by GDAL (rasterio); heights are bilinear (scipy); every sample along a geodesic (pyproj) is put
into Earth-centred coordinates and seen from the eye's local frame, with k·distance/(2R) of refraction.
No code of this project takes part, and nothing is shared with its way of marching over the grid.
"""
import math
import sys
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import scipy
from rasterio.transform import from_origin
from scipy.ndimage import map_coordinates

HERE = Path(__file__).parent
GEOD = pyproj.Geod(ellps="WGS84")
ECEF = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
K, EYE = 0.13, 1.6


class Land:
    def __init__(self, paths):
        self.tiles = []
        for path in paths:
            with rasterio.open(path) as f:
                grid = f.read(1).astype(float)
                grid[grid < -500] = np.nan
                self.tiles.append((grid, ~f.transform))

    def height(self, lons, lats):
        h = np.full(len(lons), np.nan)
        for grid, back in self.tiles:
            c, r = back * (lons, lats)
            c, r = c - 0.5, r - 0.5
            inside = (c > -1e-6) & (r > -1e-6) & (c < grid.shape[1] - 1 + 1e-6) & (r < grid.shape[0] - 1 + 1e-6)
            inside &= np.isnan(h)
            at = np.array([np.clip(r[inside], 0, grid.shape[0] - 1), np.clip(c[inside], 0, grid.shape[1] - 1)])
            h[inside] = map_coordinates(grid, at, order=1, mode="nearest")
        return h


def horizon(land, lat, lon, azimuths, reach):
    # Steps of a five-thousandth of the distance, at least 1 cm, at most 6 m: near creases are sharp.
    d = [0.5]
    while d[-1] < reach:
        d.append(d[-1] + min(max(d[-1] / 5000, 0.01), 6.0))
    d = np.array(d)
    eye_height = land.height(np.array([lon]), np.array([lat]))[0] + EYE
    eye = np.array(ECEF.transform(lon, lat, eye_height))
    la, lo = math.radians(lat), math.radians(lon)
    east = np.array([-math.sin(lo), math.cos(lo), 0.0])
    north = np.array([-math.sin(la) * math.cos(lo), -math.sin(la) * math.sin(lo), math.cos(la)])
    up = np.array([math.cos(la) * math.cos(lo), math.cos(la) * math.sin(lo), math.sin(la)])
    for azimuth in azimuths:
        ones = np.ones(len(d))
        lons, lats, _ = GEOD.fwd(lon * ones, lat * ones, azimuth * ones, d)
        v = np.array(ECEF.transform(lons, lats, land.height(lons, lats))) - eye[:, None]
        a = np.degrees(np.arctan2(up @ v, np.hypot(east @ v, north @ v)) + K * d / (2 * 6371000.0))
        best = np.nanargmax(a)
        yield azimuth, a[best], d[best]


def fractal(n, rng):
    """Midpoint displacement."""
    size = 1 << (n - 1).bit_length()
    grid = rng.normal(0, 400, (3, 3))
    scale = 400.0
    while grid.shape[0] < size + 1:
        scale *= 0.55
        m = grid.shape[0] * 2 - 1
        at = np.linspace(0, grid.shape[0] - 1, m)
        grid = map_coordinates(grid, np.meshgrid(at, at, indexing="ij"), order=1) + rng.normal(0, scale, (m, m))
    return grid[:n, :n]


def make():
    rng = np.random.default_rng(20260914)
    n = 181
    grid = np.round(1500 + fractal(n, rng)).astype("int16")
    with rasterio.open(HERE / "rough.tif", "w", driver="GTiff", width=n, height=n, count=1, dtype="int16",
                       crs="EPSG:4326", transform=from_origin(-70.7, -33.3, 1 / 1200, 1 / 1200), compress="deflate",
                       predictor=2) as out:
        out.write(grid, 1)
    land = Land([HERE / "rough.tif"])
    lat, lon = -33.3752, -70.6237
    source = f"# rasterio {rasterio.__version__}, GDAL {rasterio.__gdal_version__}, pyproj {pyproj.__version__}, scipy {scipy.__version__}; make_rough.py\n"
    with open(HERE / "rough.csv", "w") as out:
        out.write(source + "name,azimuth_deg,altitude_deg,distance_m\n")
        for azimuth, altitude, distance in horizon(land, lat, lon, np.arange(0, 360, 2.0), 5500.0):
            out.write(f"ray,{azimuth:.1f},{altitude:.5f},{distance:.1f}\n")


def compare(lat, lon, csv, tiles):
    ours = np.array([[float(x or "inf") for x in line.split(",")] for line in open(csv) if line[0].isdigit()])
    land = Land(tiles)
    picked = ours[::20]
    worst = 0.0
    offs = []
    for (azimuth, altitude, distance), (_, exact, there) in zip(picked, horizon(land, lat, lon, picked[:, 0], 150e3)):
        offs.append(altitude - exact)
        if abs(altitude - exact) > worst:
            worst = abs(altitude - exact)
            print(f"{azimuth:7.1f}° ours {altitude:8.4f}° at {distance:8.0f} m, here {exact:8.4f}° at {there:8.0f} m")
    offs = np.array(offs)
    print(f"{len(offs)} azimuths: worst {np.abs(offs).max():.5f}°, rms {np.sqrt((offs**2).mean()):.5f}°, mean {offs.mean():+.5f}°")


if len(sys.argv) == 1:
    make()
else:
    compare(float(sys.argv[1]), float(sys.argv[2]), sys.argv[3], sys.argv[4:])
