"""The survey grid against pyproj and mercantile.

grid.py points                     prints a few hundred seeded "lon lat" lines
grid.py compare POINTS ANSWERS     compares the answers of crates/model/examples/grid.rs
"""

import random
import sys

import mercantile
import pyproj

ZOOM = 15
PLACES = 2**31
CELLS = 2**23
HALF = 20037508.342789244  # OGC 2D TMS registry, WebMercatorQuad: pointOfOrigin, digits from PROJ
SEED = 20260


def points():
    draw = random.Random(SEED)
    for _ in range(400):
        yield draw.uniform(-180, 180), draw.uniform(-85, 85)
    # Lakes of small boats: most of them between 25 and 65 degrees.
    for _ in range(100):
        yield draw.uniform(-180, 180), draw.uniform(25, 65)
    # On and beside tile edges, the antimeridian, the poles of the square, beyond.
    for n in range(-3, 4):
        edge = n * 360 / 2**ZOOM
        yield from [(edge, 45.0), (edge + 1e-7, 45.0), (edge - 1e-7, 45.0)]
    yield from [(-180.0, 0.0), (180.0, 0.0), (179.9999999, -60.0), (0.0, 85.0511287), (0.0, -85.0511287)]
    yield from [(0.0, 85.1), (0.0, -86.0), (181.0, 0.0)]


def compare(points_file, answers_file):
    to_metres = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    geod = pyproj.Geod(ellps="WGS84")
    checks = {name: [0, []] for name in ("position", "middle", "quadkey", "cell", "area", "refusal")}

    def check(name, good, what):
        checks[name][0] += 1
        if not good:
            checks[name][1].append(what)

    with open(points_file) as p, open(answers_file) as a:
        pairs = list(zip(p.read().splitlines(), a.read().splitlines(), strict=True))
    for point, answer in pairs:
        lon, lat = map(float, point.split())
        if abs(lon) > 180 or abs(lat) > 85.0511287798:
            check("refusal", answer == "none", point)
            continue
        x, y, key, cx, cy, area, mlon, mlat = answer.split()
        x, y, cx, cy = int(x), int(y), int(cx), int(cy)
        metre = 2 * HALF / PLACES
        east, north = to_metres.transform(lon if lon < 180 else -180.0, lat)
        # Whichever side of a rounding the two programs fall on, the point is within one place.
        off_x = abs((x + 0.5) * metre - HALF - east)
        off_y = abs(HALF - (y + 0.5) * metre - north)
        check("position", max(off_x, off_y) <= 0.5 * metre + 2e-5, f"{point}: {off_x} {off_y}")
        back_e, back_n = to_metres.transform(float(mlon), float(mlat))
        off = max(abs(back_e - ((x + 0.5) * metre - HALF)), abs(back_n - (HALF - (y + 0.5) * metre)))
        check("middle", off < 1e-4, f"{point}: {off}")
        tile = mercantile.tile(float(mlon), float(mlat), ZOOM)
        check("quadkey", mercantile.quadkey(tile) == key, f"{point}: {key} {mercantile.quadkey(tile)}")
        small = mercantile.tile(float(mlon), float(mlat), 23)
        check("cell", (small.x, small.y) == (cx, cy), f"{point}: {cx},{cy} {small}")
        b = mercantile.bounds(cx, cy, 23)
        # Enough points on the edges that geodesics follow the parallels.
        lons = [b.west, b.east, b.east, b.west]
        lats = [b.south, b.south, b.north, b.north]
        true = abs(geod.polygon_area_perimeter(lons, lats)[0])
        # Bounds in degrees carry 1e-14 of 180, polygons of 10 m2 are good to 1e-6 of themselves.
        check("area", abs(float(area) - true) < 2e-5 * true, f"{point}: {area} {true}")

    for name, (count, bad) in checks.items():
        if count == 0:
            print(f"not ok grid-{name}: nothing was compared")
        elif bad:
            print(f"not ok grid-{name}: {len(bad)} of {count}, first {bad[0]}")
        else:
            print(f"ok grid-{name} ({count} points)")


if __name__ == "__main__":
    if sys.argv[1:] == ["points"]:
        for lon, lat in points():
            print(f"{lon!r} {lat!r}")
    else:
        compare(*sys.argv[2:])
