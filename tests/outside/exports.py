"""Every vector export of the demo read by independent readers; all formats must hold the same.

Sources: RFC 7946 (GeoJSON), OGC 07-147r2 (KML 2.2), GPX 1.1 schema documentation (order of elements, longitude
below 180), OGC 12-128r17 (GeoPackage 1.3); GDAL through pyogrio, gpxpy, lxml, SQLite and GDAL's GeoPackage validator
as readers; shapely's GEOS for validity; pyproj's geodesics for lengths and distances.
"""

import csv
import json
import pathlib
import sqlite3
import subprocess
import sys

import gpxpy
import numpy as np
import pyogrio
import pyproj
import shapely
from lxml import etree
from scipy.spatial import cKDTree

program, out = sys.argv[1], pathlib.Path(sys.argv[2])
GEOD = pyproj.Geod(ellps="WGS84")
STAGE = "0.35"


def check(name, good, why):
    print(f"ok exports-{name}" if good else f"not ok exports-{name}: {why}")


def run(*args):
    return subprocess.run([program, *args], check=True, capture_output=True, text=True).stdout


run("demo", "-o", str(out / "demo"), "--quiet")
home = ["--home", str(out / "demo" / "laptop")]


def export(what, ending, *options):
    path = out / f"{what}.{ending}"
    run(*home, "export", what, "--stage", STAGE, "-o", str(path), *options)
    return path


def read(path, layer=None):
    """Geometries and columns as GDAL sees them."""
    _, _, wkb, fields = pyogrio.raw.read(path, layer=layer)
    names = pyogrio.read_info(path, layer=layer)["fields"]
    return shapely.from_wkb(wkb), dict(zip(names, fields, strict=True))


def places(shapes):
    return shapely.get_coordinates(shapes)


def same_places(name, a, b):
    pa, pb = places(a), places(b)
    off = np.abs(pa - pb).max() if pa.shape == pb.shape and len(pa) else np.inf
    check(name, off <= 1e-7, f"{pa.shape} and {pb.shape} positions, {off} degrees apart")


def same_numbers(name, a, b):
    a, b = np.asarray(a, float), np.asarray(b, float)
    good = a.shape == b.shape and np.array_equal(np.isnan(a), np.isnan(b)) and np.nanmax(np.abs(a - b)) < 1e-9
    check(name, good, f"{a[:4]} and {b[:4]}")


# Points: cells and soundings in six formats.
for what in ("cells", "soundings"):
    shapes, columns = read(export(what, "geojson"))
    check(f"{what}-many", len(shapes) > 500 and set(shapely.get_type_id(shapes)) == {0}, f"{len(shapes)} points")
    table = list(csv.DictReader(export(what, "csv").read_text().splitlines()))
    xy = np.array([[float(r["lon"]), float(r["lat"])] for r in table])
    same_places(f"{what}-csv-places", shapes, shapely.points(xy))
    same_numbers(f"{what}-csv-depths", columns["depth_m"], [float(r["depth_m"]) for r in table])
    beside = (out / f"{what}.csv.txt").read_text()
    check(f"{what}-csv-statement", all(w in beside for w in ("datum", "stage_m: 0.350", "not for navigation", "Heron")), beside)
    for ending, prefix in (("kml", ""), ("gpx", "ll_"), ("gpkg", "")):
        layer = "waypoints" if ending == "gpx" else None
        other, theirs = read(export(what, ending), layer)
        same_places(f"{what}-{ending}-places", shapes, other)
        for column in ("depth_m", "tvu95_m"):
            same_numbers(f"{what}-{ending}-{column}", columns[column], theirs[prefix + column].astype(float))
        same = list(columns["grade"]) == list(theirs[prefix + "grade"])
        check(f"{what}-{ending}-grades", same, f"{theirs[prefix + 'grade'][:3]}")
    xyz = np.loadtxt(export(what, "xyz"))
    same_places(f"{what}-xyz-places", shapes, shapely.points(xyz[:, :2]))
    same_numbers(f"{what}-xyz-depths", columns["depth_m"], xyz[:, 2])

# Lines and areas.
kinds = {"contours": ("kml", "gpx", "gpkg"), "areas": ("kml", "gpkg"), "passes": ("kml", "gpx", "gpkg")}
for what, endings in kinds.items():
    shapes, columns = read(export(what, "geojson"))
    check(f"{what}-valid", len(shapes) > 1 and shapely.is_valid(shapes).all(), shapely.is_valid_reason(shapes)[:3])
    for ending in endings:
        other, theirs = read(export(what, ending), "tracks" if ending == "gpx" else None)
        check(f"{what}-{ending}-count", len(shapes) == len(other), f"{len(shapes)} and {len(other)} features")
        same_places(f"{what}-{ending}-places", shapes, other)
        for column in {"VALDCO", "DRVAL1", "DRVAL2", "length_m"} & set(columns):
            name = ("ll_" if ending == "gpx" else "") + column
            same_numbers(f"{what}-{ending}-{column}", columns[column], theirs[name].astype(float))

# Levels at choice: 6 ft is 1.8288 m.
for levels, want in ((["--levels", "6ft,1fm,3m"], [1.8288, 3.0]), (["--step", "2"], None)):
    _, columns = read(export("contours", "geojson", *levels))
    got = columns["VALDCO"].astype(float)
    fits = np.allclose(got, want, atol=1e-9) if want else np.allclose(got % 2, 0)
    check(f"levels{levels[0]}", len(got) > 0 and fits, str(got))

# GPX 1.1: order of the elements, bounds, and an independent reader.
GPX = "{http://www.topografix.com/GPX/1/1}"
ORDER = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "wpt": "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop ageofdgpsdata dgpsid extensions".split(),
    "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
    "rte": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"],
}
for what in ("cells", "contours", "passes"):
    path = out / f"{what}.gpx"
    tree = etree.parse(path)
    wrong = []
    for node in tree.iter(*(GPX + n for n in ORDER)):
        order = ORDER[node.tag.removeprefix(GPX)]
        at = [order.index(c.tag.removeprefix(GPX)) for c in node]
        if at != sorted(at):
            wrong.append(node.tag)
    check(f"{what}-gpx-order", not wrong, str(wrong[:3]))
    foreign = [c.tag for e in tree.iter(GPX + "extensions") for c in e if not c.tag.startswith("{urn:leadline:layer:1}")]
    check(f"{what}-gpx-extensions", not foreign, str(foreign[:3]))
    gpx = gpxpy.parse(path.read_text())
    points = [(p.longitude, p.latitude) for p in gpx.waypoints]
    points += [(p.longitude, p.latitude) for t in gpx.tracks for s in t.segments for p in s.points]
    same_places(f"{what}-gpxpy", read(out / f"{what}.geojson")[0], shapely.points(points))
    check(f"{what}-gpx-statement", "not for navigation" in gpx.description and gpx.time is not None, gpx.description)
    check(f"{what}-gpx-no-ele", not list(tree.iter(GPX + "ele")), "depth is no height")

# KML 2.2: order of a feature's elements; typed values.
KML = "{http://www.opengis.net/kml/2.2}"
FEATURE = ["name", "description", "styleUrl", "Style", "ExtendedData", "Schema", "Folder", "Placemark", "Point", "MultiGeometry"]
for what in ("cells", "contours", "areas"):
    tree = etree.parse(out / f"{what}.kml")
    wrong = []
    for node in tree.iter(KML + "Document", KML + "Folder", KML + "Placemark"):
        at = [FEATURE.index(c.tag.removeprefix(KML)) for c in node]
        if at != sorted(at):
            wrong.append(node.tag)
    check(f"{what}-kml-order", not wrong, str(wrong[:3]))
    schemas = {s.get("id") for s in tree.iter(KML + "Schema")}
    styles = {s.get("id") for s in tree.iter(KML + "Style")}
    used = {d.get("schemaUrl")[1:] for d in tree.iter(KML + "SchemaData")}
    styled = {s.text[1:] for s in tree.iter(KML + "styleUrl")}
    check(f"{what}-kml-references", used <= schemas and styled <= styles, f"{used - schemas} {styled - styles}")
    check(f"{what}-kml-statement", "not for navigation" in tree.findtext(f".//{KML}description"), "no caution")

# GeoPackage: one file with all layers.
path = export("all", "gpkg")
layers = {n: kind for n, kind in pyogrio.list_layers(path)}
want = {"areas": "MultiPolygon", "contours": "MultiLineString", "passes": "MultiLineString", "cells": "Point", "soundings": "Point"}
check("gpkg-layers", layers == want, str(layers))
for what in want:
    same_places(f"all-{what}", read(out / f"{what}.gpkg")[0] if what != "contours" else read(path, what)[0], read(path, what)[0])
db = sqlite3.connect(path)
check("gpkg-integrity", db.execute("PRAGMA integrity_check").fetchall() == [("ok",)], "integrity_check")
check("gpkg-foreign-keys", db.execute("PRAGMA foreign_key_check").fetchall() == [], "foreign_key_check")
check("gpkg-version", db.execute("PRAGMA user_version").fetchone() == (10300,), "user_version")
said = db.execute("SELECT metadata FROM gpkg_metadata").fetchone()[0]
check("gpkg-statement", all(w in said for w in ("datum", "stage_m: 0.350", "not for navigation", "Heron")), said)
for what in want:
    boxes = np.array(db.execute(f"SELECT minx, miny, maxx, maxy FROM rtree_{what}_geom ORDER BY id").fetchall())
    bounds = shapely.bounds(read(path, what)[0])
    # The R-tree keeps 32-bit numbers, rounded outwards (SQLite's documentation, "The SQLite R*Tree Module" §3.1).
    inside = (boxes[:, :2] <= bounds[:, :2]).all() and (boxes[:, 2:] >= bounds[:, 2:]).all()
    check(f"gpkg-rtree-{what}", inside and np.abs(boxes - bounds).max() < 1e-4, f"{boxes[:1]} {bounds[:1]}")
_, times = read(path, "soundings")
check("gpkg-times", np.issubdtype(times["time_utc"].dtype, np.datetime64), str(times["time_utc"].dtype))
if subprocess.run(["/usr/bin/python3", "-c", "import osgeo_utils.samples.validate_gpkg"], capture_output=True).returncode == 0:
    for name in ("all", "cells", "areas"):
        done = subprocess.run(
            ["/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", str(out / f"{name}.gpkg")],
            capture_output=True, text=True,
        )
        check(f"validate-gpkg-{name}", done.returncode == 0, (done.stdout + done.stderr)[-300:].replace("\n", " "))

# Lengths of the tracks against geodesics on the ellipsoid.
shapes, columns = read(out / "passes.geojson")
true = np.array([sum(GEOD.line_length(*np.array(l.coords).T) for l in s.geoms) for s in shapes])
off = np.abs(columns["length_m"].astype(float) - true)
check("passes-length", (off <= 0.5 + 1e-4 * true).all(), f"{off.max()} m off of {true[off.argmax()]}")

# Selection at 1 : 2000: figures of 4 mm, so 8 m clear; each dropped sounding has one as shoal within 16 m.
every, columns = read(out / "soundings.geojson")
some, chosen = read(export("soundings", "geojson", "--scale", "2000"))
depth, kept = columns["depth_m"].astype(float), chosen["depth_m"].astype(float)
lon0, lat0 = places(every).mean(axis=0)
flat = pyproj.Transformer.from_crs(4326, f"+proj=laea +lat_0={lat0} +lon_0={lon0} +ellps=WGS84", always_xy=True)
a, b = (np.column_stack(flat.transform(*places(s).T)) for s in (every, some))
near = cKDTree(b).query_ball_point(a, 16.0 * 1.001)
hidden = [i for i, n in enumerate(near) if not n or kept[n].min() > depth[i] + 1e-9]
check("selection-hides-no-shoal", 20 < len(some) < len(every) / 3 and not hidden, f"{len(some)} of {len(every)}, {len(hidden)} hidden")
gap = cKDTree(b).query(b, k=2)[0][:, 1].min()
check("selection-clear", gap > 8.0 * 0.999, f"two figures {gap} m apart")
check("selection-shoalest", abs(kept.min() - depth.min()) < 1e-9, f"{kept.min()} {depth.min()}")
print(f"# {len(some)} of {len(every)} soundings at 1 : 2000, nearest pair {gap:.2f} m")
