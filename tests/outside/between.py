"""What is drawn between the soundings, against other programs.

References: scipy LinearNDInterpolator; MetPy natural_neighbor_to_points; PyKrige UniversalKriging and gstools
krige.Universal for the numbers in the crate's own test; gdal_contour on the exported grid (lines: distance; areas:
what lies between); the schema of OGC 07-147r2 (KML 2.2) as fastkml carries it.
Truth: Walker Lake (Isaaks and Srivastava 1989, "An Introduction to Applied Geostatistics"), 470 samples and all
78,000 values, as gstat's data set `walker` (Pebesma); only RMSE is taken from it.

  between.py PROGRAM CROSSVAL WALKER.rda FOLDER
"""

import csv
import importlib.util
import io
import json
import pathlib
import re
import shutil
import subprocess
import sys
import warnings

import numpy as np
import rasterio
import rasterio.features
import shapely
from lxml import etree
from metpy.interpolate import natural_neighbor_to_points
from pykrige.ok import OrdinaryKriging
from pykrige.uk import UniversalKriging
from pyproj import Transformer
from scipy.interpolate import CloughTocher2DInterpolator, LinearNDInterpolator

warnings.filterwarnings("ignore")
program, crossval, walker, out = sys.argv[1], sys.argv[2], pathlib.Path(sys.argv[3]), pathlib.Path(sys.argv[4])


def check(name, good, why):
    print(f"ok {name}: {why}" if good else f"not ok {name}: {why}", flush=True)


def run(*args):
    return subprocess.run([program, *args], check=True, capture_output=True, text=True).stdout


def withheld(soundings, fold="0"):
    """Lines `east north depth track noise` through the crate: cells that stay, and what is said of the others."""
    text = "\n".join(" ".join(map(str, s)) for s in soundings)
    rows = csv.DictReader(io.StringIO(subprocess.run([crossval, fold], input=text, capture_output=True, text=True, check=True).stdout))
    table = {"cell": [], "held": []}
    for r in rows:
        table[r["kind"]].append({k: float(v) for k, v in r.items() if k != "kind" and v})
    cells, held = table["cell"], table["held"]
    column = lambda rows, k: np.array([r[k] for r in rows])
    return column(cells, "east"), column(cells, "north"), column(cells, "depth"), {k: column(held, k) for k in held[0]}


def linear_and_natural():
    rng = np.random.default_rng(20)
    soundings = []
    for track in range(12):
        for along in np.arange(0, 240, 4.0):
            e, n = along + rng.uniform(-0.5, 0.5), 20 * track + 3 * np.sin(along / 30 + track)
            soundings.append((round(e, 4), round(n, 4), round(7 + 2 * np.sin(e / 50) + np.cos(n / 40), 4), track, 0.05))
    e, n, depth, held = withheld(soundings)
    at = np.column_stack([held["east"], held["north"]])
    theirs = LinearNDInterpolator(np.column_stack([e, n]), depth)(at)
    good = np.isfinite(theirs)
    off = np.abs(theirs - held["straight"])[good]
    # Corners that are nearly on one circle may be joined either way.
    check("between-linear-scipy", good.sum() > 50 and np.mean(off < 0.002) > 0.95, f"{good.sum()} places, {np.mean(off < 0.002):.3f} within 2 mm")
    # Far from the edge: near it MetPy leaves the hull's triangles out in its own way.
    inner = (at[:, 0] > 40) & (at[:, 0] < 200) & (at[:, 1] > 30) & (at[:, 1] < 190)
    theirs = natural_neighbor_to_points(np.column_stack([e, n]), depth, at[inner])
    off = np.abs(theirs - held["natural"][inner])
    check("between-natural-metpy", inner.sum() > 30 and np.mean(off < 0.001) > 0.97, f"{inner.sum()} places, {np.mean(off < 0.001):.3f} within 1 mm, most {off.max():.5f} m")


def kriging():
    source = pathlib.Path("crates/chart/src/krige.rs").read_text()
    rows = re.findall(r"\((\d\.\d), \[([\d.]+), ([\d.]+)\], ([\d._]+), ([\d._]+)\)", source)
    x, y = np.array([0, 10, 22, 31, 3, 18, 29, 8.0]), np.array([0, 2, -1, 4, 15, 17, 14, 30.0])
    z = np.array([3, 3.6, 4.1, 3.9, 5.2, 6, 5.5, 7.1])
    check("between-kriging-numbers", len(rows) == 4, f"{len(rows)} rows in the crate's test")
    import gstools

    worst, gs = 0.0, 0.0
    for row in rows:
        alpha, e, n, depth, variance = (float(v.replace("_", "")) for v in row)
        model = {"scale": 10.0**-alpha, "exponent": alpha, "nugget": 0.1}
        told = UniversalKriging(x, y, z, variogram_model="power", variogram_parameters=model, drift_terms=["regional_linear"]).execute("points", [e], [n])
        worst = max(worst, abs(float(told[0][0]) - depth), abs(float(told[1][0]) - 0.1 - variance))
        if alpha == 1.0:
            far = gstools.Linear(dim=2, var=100.0, len_scale=1000.0, nugget=0.1)
            told = gstools.krige.Universal(far, [x, y], z, drift_functions="linear")([[e], [n]])
            gs = max(gs, abs(float(told[0][0]) - depth), abs(float(told[1][0]) - 0.1 - variance))
    check("between-kriging-pykrige", worst < 1e-8, f"off by {worst:.1e} at most")
    check("between-kriging-gstools", 0 < gs < 1e-8, f"off by {gs:.1e} at most")


def walker_lake():
    if not walker.is_file() or importlib.util.find_spec("rdata") is None:
        print("skip between-walker-lake: r-cran-gstat or the Python package rdata could not be fetched")
        return
    import rdata

    data = rdata.read_rda(walker)
    samples = np.column_stack([np.asarray(data["walker"].coords), data["walker"].data["V"]])
    depths = data["walker.exh"].data["V"].to_numpy()
    # Rows from the north-west corner, 260 wide, of squares of 1 m (sp, GridTopology).
    east, north = np.meshgrid(np.arange(1.0, 261), np.arange(300.0, 0, -1))
    truth = np.column_stack([east.ravel(), north.ravel(), depths])
    known = {(e, n): v for e, n, v in truth}
    # The samples are rounded to a tenth.
    equal = sum(abs(known.get((e, n), np.inf) - v) < 0.06 for e, n, v in samples)
    check("between-walker-aligned", equal == 461, f"{equal} of {len(samples)} samples are the field's own values")
    # Hundredths of the value as metres; the samples are a track that stays, every twentieth place is one that is asked of.
    asked = truth[::20]
    rows = [(e, n, v / 100, 1, 0.01) for e, n, v in samples] + [(e, n, v / 100, 0, 0.01) for e, n, v in asked]
    e, n, depth, held = withheld(rows)
    at = np.column_stack([held["east"], held["north"]])
    known = np.column_stack([e, n])
    krige = OrdinaryKriging(e, n, depth, variogram_model="exponential", nlags=20)
    ways = {
        "learned": held["learned"],
        "straight": held["straight"],
        "natural neighbour": held["natural"],
        "scipy linear": LinearNDInterpolator(known, depth)(at),
        "scipy cubic": CloughTocher2DInterpolator(known, depth)(at),
        "PyKrige ordinary": np.asarray(krige.execute("points", at[:, 0], at[:, 1])[0]),
    }
    good = np.all([np.isfinite(v) for v in ways.values()], axis=0)
    rmse = {k: 100 * float(np.sqrt(np.mean((v - held["depth"])[good] ** 2))) for k, v in ways.items()}
    print(f"# Walker Lake, RMSE at {good.sum()} places: " + ", ".join(f"{k} {v:.1f}" for k, v in rmse.items()))
    best = min(v for k, v in rmse.items() if k not in ("learned", "straight", "natural neighbour"))
    check("between-walker-lake", rmse["learned"] <= 1.03 * best, f"learned is {rmse['learned'] / best:.3f} of the best reference (aim 1.03)")


def contours():
    if not shutil.which("gdal_contour"):
        print("skip between-contours: gdal_contour is not installed")
        return
    demo, tif = out / "demo", out / "surface.tif"
    run("demo", "-o", str(demo), "--quiet")
    home = ["--home", str(demo / "laptop")]
    run(*home, "export", "surface", "-o", str(tif), "--resolution", "1.5")
    levels = [2.0, 3.0, 4.0, 5.0]
    asked = ",".join(map(str, levels))
    for what in ("contours", "areas"):
        run(*home, "export", what, "-o", str(out / f"{what}.geojson"), "--levels", asked)
    with rasterio.open(tif) as grid:
        band = next(i for i, d in enumerate(grid.descriptions, 1) if "safe" in (d or "").lower())
        pixel, known = grid.transform.a, grid.read(band, masked=True)
        scale = np.cos(np.radians(Transformer.from_crs(grid.crs, 4326, always_xy=True).transform(*grid.xy(grid.height // 2, grid.width // 2))[1]))
        footprint = shapely.unary_union([shapely.geometry.shape(s) for s, v in rasterio.features.shapes((~np.ma.getmaskarray(known)).astype("uint8"), transform=grid.transform) if v])
    inner = footprint.buffer(-3 * pixel)
    common = ["gdal_contour", "-q", "-b", str(band), "-fl", *map(str, levels)]
    subprocess.run([*common, "-a", "depth", str(tif), str(out / "lines.geojson")], check=True)
    subprocess.run([*common, "-p", "-amin", "low", "-amax", "high", str(tif), str(out / "bands.geojson")], check=True)
    to_grid = Transformer.from_crs(4326, 3857, always_xy=True)
    planar = lambda g: shapely.transform(g, lambda c: np.column_stack(to_grid.transform(c[:, 0], c[:, 1])))
    features = lambda name: [(f["properties"], shapely.from_geojson(json.dumps(f["geometry"]))) for f in json.loads((out / name).read_text())["features"] if f["geometry"]]
    theirs_lonlat = json.loads((out / "lines.geojson").read_text()).get("crs", {}).get("properties", {}).get("name", "").endswith("CRS84") or abs(features("lines.geojson")[0][1].bounds[0]) <= 180
    grid_of = planar if theirs_lonlat else (lambda g: g)
    for level in levels:
        own = shapely.unary_union([planar(g) for p, g in features("contours.geojson") if abs(p["VALDCO"] - level) < 1e-6])
        their = shapely.unary_union([grid_of(g) for p, g in features("lines.geojson") if abs(p["depth"] - level) < 1e-6])
        own, their = own.intersection(inner), their.intersection(inner)
        points = lambda g: shapely.points(shapely.get_coordinates(shapely.segmentize(g, pixel)))
        off = np.concatenate([shapely.distance(points(own), their), shapely.distance(points(their), own)]) / pixel
        # A grid cannot follow a slope change within a pixel: small closed rings may be there for one only.
        check(f"between-contour-{level:g}m", np.mean(off <= 1.5) > 0.97, f"{len(off)} places, {np.mean(off <= 1.5):.3f} within 1.5 pixels of {pixel * scale:.2f} m, median {np.median(off):.2f}, Hausdorff {off.max():.1f} pixels")
    edges = [-np.inf, *levels, np.inf]
    differ = whole = 0.0
    for low, high in zip(edges, edges[1:]):
        within = lambda p: low - 1e-6 <= p["DRVAL1"] and p["DRVAL2"] <= high + 1e-6
        own = shapely.unary_union([shapely.make_valid(planar(g)) for p, g in features("areas.geojson") if within({k: v if v is not None else s for (k, v), s in zip(((k, p.get(k)) for k in ("DRVAL1", "DRVAL2")), (-np.inf, np.inf))})])
        middle = (max(low, -5) + min(high, 50)) / 2
        their = shapely.unary_union([shapely.make_valid(grid_of(g)) for p, g in features("bands.geojson") if p["low"] <= middle < p["high"] or (high == np.inf and p["low"] >= levels[-1] - 1e-6) or (low == -np.inf and p["high"] <= levels[0] + 1e-6)])
        own, their = own.intersection(inner), their.intersection(inner)
        differ += own.symmetric_difference(their).area / 2
        whole += own.area
    check("between-areas-gdal", whole > 0.9 * inner.area and differ < 0.01 * whole, f"{differ / whole:.4%} of {whole * scale**2:.0f} m2 lies between")


def kml():
    package = importlib.util.find_spec("fastkml")
    if package is None:
        print("skip between-kml-schema: the Python package fastkml could not be fetched")
        return
    schema = etree.XMLSchema(etree.parse(pathlib.Path(package.origin).parent / "schema" / "ogckml22.xsd"))
    home = ["--home", str(out / "demo" / "laptop")]
    for what in ("cells", "contours", "areas", "passes", "soundings"):
        path = out / f"{what}.kml"
        run(*home, "export", what, "-o", str(path))
        good = schema.validate(etree.parse(path))
        check(f"between-kml-schema-{what}", good, str(schema.error_log.last_error) if not good else "valid")


linear_and_natural()
kriging()
walker_lake()
contours()
kml()
