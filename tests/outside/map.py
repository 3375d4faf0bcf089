"""Exports of the demo read by other programs' libraries.

Sources: RFC 7946 (GeoJSON); shapely's GEOS for validity and areas; GDAL through pyogrio as an independent reader;
scipy.interpolate.LinearNDInterpolator (Qhull) as an independent linear interpolation over a Delaunay triangulation.
"""

import csv
import json
import pathlib
import random
import subprocess
import sys

import numpy as np
import pyogrio
import shapely
from scipy.interpolate import LinearNDInterpolator


def check(name, good, why):
    print(f"ok {name}" if good else f"not ok {name}: {why}")


def run(*args):
    return subprocess.run([program, *args], check=True, capture_output=True, text=True).stdout


program, out = sys.argv[1], pathlib.Path(sys.argv[2])
demo = out / "demo"
run("demo", "-o", str(demo), "--quiet")
home = ["--home", str(demo / "laptop")]

for kind in ("contours", "areas"):
    path = demo / f"{kind}.geojson"
    data = json.loads(path.read_text())
    shapes = [shapely.from_geojson(json.dumps(f["geometry"])) for f in data["features"]]
    check(f"map-{kind}-features", len(shapes) > 3, f"{len(shapes)} features")
    check(f"map-{kind}-no-crs", "crs" not in data, "RFC 7946 has no crs member")
    invalid = [shapely.is_valid_reason(s) for s in shapes if not s.is_valid]
    check(f"map-{kind}-valid", not invalid, str(invalid[:3]))
    info = pyogrio.read_info(path)
    check(f"map-{kind}-gdal", info["features"] == len(shapes), f"{info['features']} by GDAL, {len(shapes)} in the file")

areas = json.loads((demo / "areas.geojson").read_text())["features"]
polygons = [shapely.from_geojson(json.dumps(f["geometry"])) for f in areas]
total, union = sum(p.area for p in polygons), shapely.unary_union(polygons).area
check("map-areas-tile", abs(total - union) < 1e-6 * total, f"sum {total} against union {union}")

cells = list(csv.DictReader(run(*home, "export", "cells", "--as", "csv").splitlines()))
lon, lat, depth = (np.array([float(c[k]) for c in cells]) for k in ("lon", "lat", "depth_m"))
# True metres about the middle, so that both triangulate the same plane.
scale = np.cos(np.radians(lat.mean()))
x, y = (lon - lon.mean()) * 111320 * scale, (lat - lat.mean()) * 110900
linear = LinearNDInterpolator(np.column_stack([x, y]), depth)
rng = random.Random(4)
points = []
while len(points) < 3000:
    i, j = rng.randrange(len(cells)), rng.uniform(-8, 8)
    points.append((lon[i] + j / (111320 * scale), lat[i] + rng.uniform(-8, 8) / 110900))
(out / "points.csv").write_text("lon,lat\n" + "".join(f"{a:.8f},{b:.8f}\n" for a, b in points))
rows = [r for r in csv.DictReader(run(*home, "depth", "--between", "straight", "--points", str(out / "points.csv")).splitlines()) if r["basis"] == "surface"]
px = (np.array([float(r["lon"]) for r in rows]) - lon.mean()) * 111320 * scale
py = (np.array([float(r["lat"]) for r in rows]) - lat.mean()) * 110900
off = np.abs(linear(px, py) - np.array([float(r["depth_m"]) for r in rows]))
off = off[~np.isnan(off)]
# Positions are rounded to 1 cm and the planes differ by 0.1 %, which can turn a nearly co-circular quadrilateral.
near = float(np.mean(off < 0.02)) if len(off) else 0.0
print(f"# {len(off)} places between soundings: {near:.4f} within 2 cm of SciPy, median {np.median(off):.5f} m")
check("map-linear-scipy", len(off) > 500 and near > 0.97 and np.median(off) < 0.003, f"{len(off)} places, {near:.4f} near")
