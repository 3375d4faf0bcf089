"""Coverage of the demo held against other libraries.

Sources: IHO S-44 Ed 6.1.0 §3.5.2 (distance between registered depths at most max(3 × depth, 25 m)); Karney 2013,
"Algorithms for geodesics", J. Geodesy 87, as pyproj.Geod (areas); GEOS through shapely (validity, who holds a point);
scipy.spatial.cKDTree in PROJ's azimuthal equidistant projection (nearest sounding).
"""

import csv
import json
import pathlib
import subprocess
import sys

import numpy as np
import pyogrio
import pyproj
import shapely
from scipy.spatial import cKDTree

GEOD = pyproj.Geod(ellps="WGS84")


def check(name, good, why):
    print(f"ok coverage-{name}" if good else f"not ok coverage-{name}: {why}", flush=True)


def run(*args):
    return subprocess.run([program, *map(str, args)], check=True, capture_output=True, text=True).stdout


program, out = sys.argv[1], pathlib.Path(sys.argv[2])
demo = out / "demo"
run("demo", "-o", demo, "--quiet")
home = ["--home", demo / "laptop"]
cells = list(csv.DictReader(run(*home, "export", "cells", "--as", "csv").splitlines()))
lon, lat = (np.array([float(c[k]) for c in cells]) for k in ("lon", "lat"))

# A drawn water: the box of the cells and a fifth more on each side, one corner cut off.
w, e, s, n = lon.min(), lon.max(), lat.min(), lat.max()
dx, dy = (e - w) / 5, (n - s) / 5
ring = [(w - dx, s - dy), (e + dx, s - dy), (e + dx, n), (e, n + dy), (w - dx, n + dy)]
area = out / "area.csv"
area.write_text("lon,lat\n" + "".join(f"{x:.8f},{y:.8f}\n" for x, y in ring))
path = out / "coverage.geojson"
told = json.loads(run(*home, "coverage", "--area", area, "-o", path, "--json"))

drawn, rim = map(abs, GEOD.polygon_area_perimeter(*zip(*ring)))
# Squares of 3.4 m are in or out by their middle: along straight sides that may be half a square everywhere.
check("drawn-area", abs(told["area_m2"] - drawn) < rim * 1.7, f"{told['area_m2']} m² against {drawn}")

features = json.loads(path.read_text())["features"]
shapes = [(f["properties"], shapely.from_geojson(json.dumps(f["geometry"]))) for f in features]
areas = [(p, g) for p, g in shapes if g.geom_type.endswith("Polygon")]
check("valid", all(g.is_valid for _, g in areas), [shapely.is_valid_reason(g) for _, g in areas if not g.is_valid][:2])
layers = pyogrio.list_layers(path)
check("gdal", sum(pyogrio.read_info(path, layer=k[0])["features"] for k in layers) == len(features), str(layers))


def ccw(g):
    rings = [r for q in getattr(g, "geoms", [g]) for r in [q.exterior]]
    return all(r.is_ccw for r in rings)


check("counter-clockwise", all(ccw(g) for _, g in areas), "an outer ring runs clockwise (RFC 7946 §3.1.6)")
sizes = [(p["area_m2"], *map(abs, GEOD.geometry_area_perimeter(g))) for p, g in areas]
# Places are written to 1e-7°, about a centimetre.
off = [(ours, area) for ours, area, rim in sizes if abs(ours - area) > 1e-4 * area + 0.008 * rim]
check("geodesic-areas", not off and len(areas) > 5, f"{len(off)} of {len(areas)} differ, such as {off[:2]}")
whole = sum(area for (p, _), (_, area, _) in zip(areas, sizes) if p.get("grade"))
check("whole-area", abs(whole / told["area_m2"] - 1) < 1e-4, f"{whole} m² against {told['area_m2']}")
grades = [g for p, g in areas if p.get("grade")]
overlap = sum(g.area for g in grades) / shapely.unary_union(grades).area - 1
check("grades-tile", abs(overlap) < 1e-6, f"they overlap by {overlap}")

# The rule, place by place.
plane = pyproj.Transformer.from_crs("EPSG:4326", f"+proj=aeqd +lat_0={lat.mean()} +lon_0={lon.mean()}", always_xy=True)
tree = cKDTree(np.column_stack(plane.transform(lon, lat)))
rng = np.random.default_rng(11)
at = np.column_stack([rng.uniform(w - dx, e + dx, 6000), rng.uniform(s - dy, n + dy, 6000)])
# Not within a square of the drawn line, where a square may be out.
at = at[shapely.contains_xy(shapely.Polygon(ring).buffer(-4e-5), at[:, 0], at[:, 1])]
points = out / "points.csv"
points.write_text("lon,lat\n" + "".join(f"{x:.8f},{y:.8f}\n" for x, y in at))
rows = list(csv.DictReader(run(*home, "depth", "--points", points).splitlines()))
apart, nearest = tree.query(np.column_stack(plane.transform(at[:, 0], at[:, 1])))
own = np.array([float(r["depth_m"]) if r["depth_m"] else float(cells[i]["depth_m"]) for r, i in zip(rows, nearest)])
limit = np.maximum(3 * own, 25) / 2
# Squares are judged by their middle, up to 2.4 m away; and depths on the safe side of the best ones.
sure = np.abs(apart - limit) > 2.5 + 0.05 * limit
spots = [(p, g) for p, g in areas if p.get("what") == "holiday"]
listed = shapely.unary_union([g for _, g in spots])
shapely.prepare(listed)
ours = shapely.contains_xy(listed, at[:, 0], at[:, 1])
rule = apart > limit
# Spots under 100 m² are not listed.
wrong = sure & (ours != rule) & ~(rule & (apart - limit < 8))
check("rule", wrong.sum() <= 2 and sure.sum() > 3000 and 100 < rule.sum() < len(at) - 100, f"{wrong.sum()} of {sure.sum()} places differ")
inside = all(g.contains(shapely.Point(q["lon"], q["lat"])) for q, (_, g) in zip([k for k in told["weak"] if k["what"] == "holiday"], spots))
check("places-inside", inside and spots, "the place of a holiday lies outside of it")
