"""Pixels of the demo's map read by other programs' libraries.

Sources: OGC 19-008r4 (GeoTIFF 1.1) and OGC 21-026 (COG) as rasterio/GDAL read them; pyproj for EPSG:3857; PMTiles
version 3 by the pmtiles package; the PNG specification by Pillow; OGC 2D Tile Matrix Set WebMercatorQuad by mercantile.
"""

import csv
import io
import json
import pathlib
import subprocess
import sys

import mercantile
import numpy as np
import rasterio
from PIL import Image
from pmtiles.reader import MemorySource, Reader, all_tiles
from pyproj import Transformer

STAGE = 0.35
program, out = sys.argv[1], pathlib.Path(sys.argv[2])
demo = out / "demo"


def check(name, good, why=""):
    print(f"ok raster-{name}" if good else f"not ok raster-{name}: {why}", flush=True)


def run(*args):
    return subprocess.run([program, *args], check=True, capture_output=True, text=True).stdout


def export(*args):
    return json.loads(run("--home", str(demo / "laptop"), "--json", "export", *args))


run("demo", "-o", str(demo), "--quiet")
cells = list(csv.DictReader(io.StringIO((demo / "cells.csv").read_text())))
take = lambda key: np.array([float(c[key]) for c in cells])
lon, lat, depth, tvu = take("lon"), take("lat"), take("depth_m"), take("tvu95_m")
grade = np.array([["sure", "fair", "loose"].index(c["grade"]) for c in cells])
east, north = Transformer.from_crs(4326, 3857, always_xy=True).transform(lon, lat)
CELL = mercantile.CE / 2**23


def surface_tiff():
    path = out / "surface.tif"
    export("surface", "-o", str(path), "--stage", str(STAGE))
    with rasterio.open(path) as f:
        check("crs", f.crs.to_epsg() == 3857, str(f.crs))
        check("bands", f.descriptions == ("depth_m", "tvu95_m", "grade", "safe_depth_m"), str(f.descriptions))
        check("nodata", np.isnan(f.nodata) and f.tags().get("AREA_OR_POINT") == "Area", str(f.nodata))
        t, half = f.transform, mercantile.CE / 2
        offsets = [(t.c + half) / CELL / 256, (half - t.f) / CELL / 256]
        aligned = all(abs(o - round(o)) < 1e-6 for o in offsets)
        check("grid", abs(t.a - CELL) < 1e-9 and abs(t.e + CELL) < 1e-9 and aligned, f"{t} {offsets}")
        tags = f.tags()
        said = all(tags.get(k) for k in ("datum", "survey", "newest_utc", "boats")) and float(tags["stage_m"]) == STAGE
        check("statements", said and "not for navigation" in tags.get("caution", ""), str(tags))
        got = np.array(list(f.sample(zip(east, north))))
        check("cells-depth", np.abs(got[:, 0] - depth).max() < 0.0011, np.abs(got[:, 0] - depth).max())
        check("cells-tvu95", np.abs(got[:, 1] - tvu).max() < 0.0021, np.abs(got[:, 1] - tvu).max())
        check("cells-grade", (got[:, 2] == grade).all(), f"{(got[:, 2] != grade).sum()} differ")
        check("cells-safe", (got[:, 3] <= depth + 0.0011).all(), (got[:, 3] - depth).max())
        one, two = f.read(), f.overviews(1)
    check("overviews", two == [2**k for k in range(1, len(two) + 1)] and len(two) > 0, str(two))
    for level in range(len(two)):
        with rasterio.open(path, overview_level=level) as f:
            small, k = f.read(), 2 ** (level + 1)
        size = (small.shape[1] * k, small.shape[2] * k)
        big = np.full((4, *size), np.nan, dtype=np.float32)
        big[:, : one.shape[1], : one.shape[2]] = one[:, : size[0], : size[1]]
        with np.errstate(all="ignore"):
            shoalest = np.nanmin(big[3].reshape(small.shape[1], k, small.shape[2], k), axis=(1, 3))
            largest = np.nanmax(big[1].reshape(small.shape[1], k, small.shape[2], k), axis=(1, 3))
        same = np.array_equal(small[3], shoalest, equal_nan=True) and np.array_equal(small[1], largest, equal_nan=True)
        check(f"overview-{k}-safe-side", same, "not the shoalest and the least sure of the pixels below")
    return one


def between(best):
    """The program's own word at places between the cells."""
    with rasterio.open(out / "surface.tif") as f:
        rows, columns = np.nonzero(np.isfinite(best))
        pick = np.random.default_rng(4).permutation(len(rows))[:400]
        xs, ys = rasterio.transform.xy(f.transform, rows[pick], columns[pick])
    back = Transformer.from_crs(3857, 4326, always_xy=True).transform(xs, ys)
    points = out / "points.csv"
    points.write_text("lon,lat\n" + "\n".join(f"{a:.9f},{b:.9f}" for a, b in zip(*back)) + "\n")
    said = run("--home", str(demo / "laptop"), "depth", "--points", str(points), "--stage", str(STAGE))
    said = [float(r["depth_m"] or "nan") for r in csv.DictReader(io.StringIO(said))]
    off = np.abs(np.array(said) - best[rows[pick], columns[pick]])
    check("depth-command", np.nanmax(off) < 0.03 and np.isnan(off).mean() < 0.02, f"{np.nanmax(off)} {np.isnan(off).sum()}")


def coarser():
    path = out / "coarse.tif"
    said = export("surface", "-o", str(path), "--resolution", "20", "--stage", str(STAGE))
    with rasterio.open(path) as f:
        got = np.array(list(f.sample(zip(east, north))))
        check("coarse-size", 10 < said["pixel_m"] <= 20 and abs(f.transform.a / CELL % 1) < 1e-9, str(said))
    check("coarse-safe", (got[:, 3] <= depth + 0.0011).all(), "deeper than a cell in the pixel")


def ascii_grid(best):
    path = out / "grid.asc"
    export("surface", "-o", str(path), "--stage", str(STAGE))
    with rasterio.open(path) as f:
        got = f.read(1, masked=True).filled(np.nan)
        name = f.crs.to_dict() if f.crs else {}
        mercator = f.crs is not None and (f.crs.to_epsg() == 3857 or "Pseudo-Mercator" in f.crs.wkt or "Mercator_Auxiliary_Sphere" in f.crs.wkt)
        check("asc-crs", mercator, str(name))
    same = got.shape == best.shape and np.array_equal(np.isnan(got), np.isnan(best))
    check("asc-values", same and np.nanmax(np.abs(got - best)) < 0.0006, f"{got.shape} {best.shape}")
    check("asc-words", "caution" in (out / "grid.asc.txt").read_text(), "no caution beside it")


def picture(best):
    path = out / "map.png"
    said = export("picture", "-o", str(path), "--resolution", "6", "--levels", "2,4", "--stage", str(STAGE))
    with rasterio.open(path) as f:
        check("png-crs", f.crs is not None and f.crs.to_epsg() == 3857, str(f.crs))
        check("png-words", "not for navigation" in f.tags().get("caution", ""), str(f.tags()))
        t = f.transform
    world = [float(line) for line in path.with_suffix(".pgw").read_text().split()]
    check("png-world-file", np.allclose(world, [t.a, 0, 0, t.e, t.c + t.a / 2, t.f + t.e / 2], atol=1e-6), str(world))
    pixels = np.array(Image.open(path).convert("RGBA"))
    check("png-blank", (pixels[..., 3] == 0).any() and (pixels[..., 3] == 255).any(), str(said))
    # A colour for each of three bands, beside lines and hatches: the lightest in the shoalest.
    with rasterio.open(out / "surface.tif") as f:
        safe, st = f.read(4), f.transform
    if abs(st.a - t.a) > 1e-9:
        return check("png-bands", False, "pixels of 6 m are not the cells of this water")
    r0, c0 = round((st.f - t.f) / t.a), round((t.c - st.c) / t.a)
    safe = safe[r0 : r0 + pixels.shape[0], c0 : c0 + pixels.shape[1]]
    check("png-same-blank", np.array_equal(np.isfinite(safe), pixels[..., 3] == 255), "blank elsewhere than the TIFF")
    light, count = [], []
    for low, high in ((-9, 2), (2, 4), (4, 99)):
        colours, n = np.unique(pixels[(safe >= low) & (safe < high)][:, :3], axis=0, return_counts=True)
        light.append(int(colours[n.argmax()].astype(int).sum()))
        count.append(int(n.max()))
    check("png-bands", light[0] > light[1] > light[2] and min(count) > 20, f"{light} {count}")


def tiles():
    path = out / "map.pmtiles"
    export("tiles", "-o", str(path), "--levels", "2,4", "--stage", str(STAGE))
    source = MemorySource(path.read_bytes())
    reader = Reader(source)
    head, words = reader.header(), reader.metadata()
    check("tiles-words", "not for navigation" in words["attribution"] and "datum" in words, str(words))
    box = [head[k] / 1e7 for k in ("min_lon_e7", "min_lat_e7", "max_lon_e7", "max_lat_e7")]
    inside = box[0] <= lon.min() and box[2] >= lon.max() and box[1] <= lat.min() and box[3] >= lat.max()
    check("tiles-bounds", inside and box[2] - box[0] < 0.1, str(box))
    deepest = head["max_zoom"]
    wanted = {tuple(mercantile.tile(a, b, z)) for a, b in zip(lon, lat) for z in range(head["min_zoom"], deepest + 1)}
    held = {(x, y, z) for (z, x, y), _ in all_tiles(source)}
    check("tiles-held", wanted <= held, f"{len(wanted - held)} of {len(wanted)} are missing")
    check("tiles-zooms", (head["min_zoom"], deepest) == (10, 17), f"{head['min_zoom']} {deepest}")
    # At every cell, at every zoom: not transparent; at the deepest, one colour for most cells of a band.
    blank, seen = 0, {}
    for z in (13, 15, deepest):
        images = {}
        for a, b, d in zip(lon, lat, depth):
            t = mercantile.tile(a, b, z)
            if t not in images:
                images[t] = np.array(Image.open(io.BytesIO(reader.get(z, t.x, t.y))).convert("RGBA"))
            w, s, e, n = mercantile.xy_bounds(t)
            x, y = mercantile.xy(a, b)
            pixel = images[t][min(255, int((n - y) / (n - s) * 256)), min(255, int((x - w) / (e - w) * 256))]
            blank += pixel[3] == 0
            if z == deepest:
                seen.setdefault(sum(d >= v for v in (2, 4)), []).append(tuple(pixel[:3]))
    check("tiles-no-cell-blank", blank == 0, f"{blank} cells are transparent")
    usual = {k: max(set(v), key=v.count) for k, v in seen.items()}
    light = [sum(map(int, usual[k])) for k in sorted(usual)]
    check("tiles-colours", len(light) == 3 and light[0] > light[1] > light[2], str(usual))


def refusals():
    for name, args, word in (
        ("fine", ("surface", "-o", str(out / "no.tif"), "--resolution", "0.001"), "pixels of"),
        ("ending", ("tiles", "-o", str(out / "no.zip")), ".pmtiles"),
        ("empty-size", ("picture", "-o", str(out / "no.png"), "--resolution", "-3"), "pixels of"),
    ):
        done = subprocess.run([program, "--home", str(demo / "laptop"), "export", *args], capture_output=True, text=True)
        check(f"refuses-{name}", done.returncode == 1 and word in done.stderr, f"{done.returncode} {done.stderr}")
    check("refuses-without-a-trace", not list(out.glob("no.*")), str(list(out.glob("no.*"))))


one = surface_tiff()
between(one[0])
coarser()
ascii_grid(one[0])
picture(one[0])
tiles()
refusals()
