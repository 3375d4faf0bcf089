"""Plans of drives held against other libraries.

Sources: Karney 2013, J. Geodesy 87, as pyproj.Geod (lengths); Held and Karp 1962, J. SIAM 10(1) (the shortest tour by
dynamic programming over sets, written again here); gpxpy (GPX 1.1); GEOS through shapely (what a line comes near).
"""

import csv
import json
import pathlib
import subprocess
import sys

import gpxpy
import numpy as np
import pyproj
import shapely
from shapely import affinity

GEOD = pyproj.Geod(ellps="WGS84")


def check(name, good, why):
    print(f"ok plan-{name}" if good else f"not ok plan-{name}: {why}", flush=True)


def run(*args):
    done = subprocess.run([program, *map(str, args)], capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"not ok plan: {' '.join(map(str, args))}: {done.stderr}")
    return done.stdout


def shortest(ends, start):
    """Least length of all ways that drive each line once, either way, from the start and back."""
    n = len(ends)
    stops = [(ends[k // 2][k % 2], ends[k // 2][1 - k % 2]) for k in range(2 * n)]
    far = lambda a, b: np.hypot(a[0] - b[0], a[1] - b[1])
    step = np.array([[far(a[1], b[0]) for b in stops] for a in stops])
    best = np.full((1 << n, 2 * n), np.inf)
    for k in range(2 * n):
        best[1 << k // 2, k] = far(start, stops[k][0])
    line = np.arange(2 * n) // 2
    for done in range(1, 1 << n):
        here = (best[done][:, None] + step).min(0)
        for k in range(2 * n):
            if not done >> line[k] & 1:
                more = done | 1 << line[k]
                best[more, k] = min(best[more, k], here[k])
    return min(best[-1, k] + far(stops[k][1], start) for k in range(2 * n))


def length(coordinates):
    return GEOD.line_length(*zip(*coordinates))


program, out = sys.argv[1], pathlib.Path(sys.argv[2])
rng = np.random.default_rng(7)
home = ["--home", out / "blank"]
run(*home, "survey", "new", "Blankmere", "--datum", "zero of the gauge")
ratios, wrong, uncovered, routes = [], [], [], []
for k, (lon, lat) in enumerate([(7.4, 48.2), (-71.3, -42.0), (24.0, 66.5), (36.8, 0.1), (139.6, 35.2), (7.4, 48.3)]):
    plane = pyproj.Transformer.from_crs("EPSG:4326", f"+proj=aeqd +lat_0={lat} +lon_0={lon}", always_xy=True)
    corners = [(r * np.cos(a), r * np.sin(a)) for r, a in zip(rng.uniform(110, 170, 7), np.sort(rng.uniform(0, 6.28, 7)))]
    hull = shapely.convex_hull(shapely.MultiPoint(corners))
    water = affinity.scale(hull, 1.5, 0.8)
    ring = [plane.transform(x, y, direction="INVERSE") for x, y in water.exterior.coords[:-1]]
    area = out / f"area-{k}.csv"
    area.write_text("lon,lat\n" + "".join(f"{x:.8f},{y:.8f}\n" for x, y in ring))
    begin = plane.transform(*water.representative_point().coords[0], direction="INVERSE")
    gpx = out / f"plan-{k}.gpx"
    spacing = 28 if k % 2 else 38
    plan = json.loads(
        run(*home, "plan", "--area", area, "--spacing", spacing, "--cross", f"--start={begin[0]:.8f},{begin[1]:.8f}", "-o", gpx, "--json")
    )
    legs = plan["legs"]
    wrong += [l for l in legs if abs(length(l["coordinates"]) - l["length_m"]) > 2e-4 * l["length_m"] + 0.03]
    lines = [l for l in legs if l["number"]]
    xy = [[plane.transform(*p) for p in l["coordinates"]] for l in lines]
    start = plane.transform(*plan["start"])
    if len(lines) <= 14:
        ratios.append((plan["ways_m"] / shortest(xy, start), len(lines)))
    near = shapely.unary_union([shapely.LineString(a) for a, l in zip(xy, lines) if l["kind"] == "main line"])
    # Lines end up to two squares of 2.5 m before the edge.
    uncovered.append(water.buffer(-6).difference(near.buffer(0.5 * spacing + 6)).area / water.area)
    with open(gpx) as f:
        read = gpxpy.parse(f)
    drive = [p for l in legs for p in l["coordinates"]]
    drive = [p for p, q in zip(drive, [None] + drive) if p != q]
    one = [(p.longitude, p.latitude) for p in read.routes[0].points]
    routes.append(len(read.routes) == 1 and len(one) == len(drive) and np.allclose(one, drive, atol=2e-7))
check("lengths", not wrong, f"{len(wrong)} legs differ from the geodesic, such as {wrong[:1]}")
worst = max(ratios, default=(9, 0))
print(f"  ways over the shortest: {', '.join(f'{r:.4f} ({n} lines)' for r, n in ratios)}")
check("tour", 1 - 1e-3 < min(ratios, default=(0, 0))[0] and worst[0] < 1.05 and len(ratios) > 2, f"{worst[0]:.4f} times the shortest")
check("water-covered", max(uncovered) < 0.005, f"{max(uncovered):.2%} of a water is farther than half the spacing from a line")
check("gpx", all(routes), "the route is not the drive")

# The demo: runs over its weak spots keep the boat afloat, at the lake's stage and at the datum.
demo = out / "demo"
run("demo", "-o", demo, "--quiet")
home = ["--home", demo / "laptop"]
for stage, draft in ((0.35, 0.5), (0, 1.2)):
    plan = json.loads(run(*home, "plan", "--stage", stage, "--draft", draft, "--json"))
    points = out / "way.csv"
    places = []
    for leg in plan["legs"]:
        for a, b in zip(leg["coordinates"], leg["coordinates"][1:]):
            n = max(2, int(length([a, b]) / 1.5))
            places += [(a[0] + (b[0] - a[0]) * i / n, a[1] + (b[1] - a[1]) * i / n) for i in range(n + 1)]
    points.write_text("lon,lat\n" + "".join(f"{x:.8f},{y:.8f}\n" for x, y in places))
    rows = list(csv.DictReader(run(*home, "depth", "--points", points, "--stage", stage).splitlines()))
    depths = np.array([float(r["depth_m"]) for r in rows if r["depth_m"]])
    need = draft + plan["margin_m"]
    # A cell has one best depth, the surface slopes within it: the two least depths are near, not equal.
    good = depths.min() >= need - 0.05 and need - 0.05 <= plan["least_depth_m"] <= depths.min() + 0.3
    check(f"afloat-{stage}", good and len(depths) > 500, f"least {depths.min():.2f} m of {len(depths)}, {need} needed")
    known = json.loads(run(*home, "coverage", "--stage", stage, "--json"))["weak"]
    spots = {(round(q["lon"], 7), round(q["lat"], 7)) for q in known}
    missed = {(round(q["lon"], 7), round(q["lat"], 7)) for q in plan["not_reached"]}
    check(f"missed-are-spots-{stage}", missed <= spots, f"{len(missed - spots)} places are no weak spot")
