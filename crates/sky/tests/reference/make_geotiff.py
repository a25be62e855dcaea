"""Small GeoTIFFs of several kinds, written by GDAL through rasterio, and geotiff.csv with heights read back
from them: rasterio's transform, pyproj for UTM, and bilinear interpolation in numpy. No code of this project.
"""
import math
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from rasterio.transform import Affine, from_origin

HERE = Path(__file__).parent
ROWS, COLUMNS = 36, 44
rng = np.random.default_rng(20260913)
r, c = np.mgrid[0:ROWS, 0:COLUMNS]
LAND = 800 + 300 * np.sin(r / 5.0) + 200 * np.cos(c / 7.0) + rng.normal(0, 4, (ROWS, COLUMNS))

tilted = Affine.translation(8.5, 46.5) * Affine.rotation(-20) * Affine.scale(0.001, -0.0012)
geographic = from_origin(8.5, 46.5, 1 / 1200, 1 / 1800)
utm = from_origin(512345.0, 5151234.0, 30.0, 25.0)
south = from_origin(299000.0, 6251234.0, 90.0, 90.0)
tiles = dict(tiled=True, blockxsize=16, blockysize=16)
KINDS = {
    "area_i16_deflate_tiles": ("EPSG:4326", geographic, "int16", dict(compress="deflate", predictor=2, **tiles)),
    "point_f32_lzw_strips": ("EPSG:4326", geographic, "float32", dict(compress="lzw", predictor=3, blockysize=5)),
    "nad83_u16_plain": ("EPSG:4269", geographic, "uint16", {}),
    "utm_f32_deflate_tiles": ("EPSG:32632", utm, "float32", dict(compress="deflate", predictor=3, nodata=-9999.0, **tiles)),
    "utm_south_i32_lzw": ("EPSG:32756", south, "int32", dict(compress="lzw", predictor=2)),
    "etrs_f64_deflate": ("EPSG:25832", utm, "float64", dict(compress="deflate")),
    "tilted_i16": ("EPSG:4326", tilted, "int16", {}),
}


def bilinear(grid, column, row):
    c0, r0 = int(math.floor(column)), int(math.floor(row))
    u, v = column - c0, row - r0
    g = grid[r0 : r0 + 2, c0 : c0 + 2].astype(float)
    return float((g * np.outer([1 - v, v], [1 - u, u])).sum())


rows = []
for name, (crs, transform, kind, options) in KINDS.items():
    grid = LAND.astype(kind)
    if "nodata" in options:
        grid[10:13, 20:23] = -9999.0
    path = HERE / f"{name}.tif"
    with rasterio.open(path, "w", driver="GTiff", width=COLUMNS, height=ROWS, count=1, dtype=kind, crs=crs,
                       transform=transform, **options) as out:
        out.write(grid, 1)
        if name.startswith("point"):
            out.update_tags(AREA_OR_POINT="Point")
    with rasterio.open(path) as found:
        data, back = found.read(1), ~found.transform
        to = pyproj.Transformer.from_crs(found.crs, "EPSG:4326" if found.crs.is_projected else found.crs, always_xy=True)
        for _ in range(12):
            column, row = rng.uniform(0.05, COLUMNS - 1.05), rng.uniform(0.05, ROWS - 1.05)
            if "nodata" in options and 18 < column < 24 and 8 < row < 14:
                column += 8
            # Middles of pixels are at half numbers for rasterio.
            x, y = found.transform * (column + 0.5, row + 0.5)
            lon, lat = to.transform(x, y)
            rows.append(f"{name},{lat:.10f},{lon:.10f},{bilinear(data, column, row):.4f}")
source = f"# rasterio {rasterio.__version__}, GDAL {rasterio.__gdal_version__}, pyproj {pyproj.__version__}; make_geotiff.py\n"
(HERE / "geotiff.csv").write_text(source + "file,latitude_deg,longitude_deg,height_m\n" + "\n".join(rows) + "\n")
