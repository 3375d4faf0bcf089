"""`compare` recomputed by scipy, numpy and shapely. Prints `ok NAME` and `not ok NAME: WHY` lines.

Three homes read the same logs: one the earlier, one the later, one both. The cells that the first two export are made
to surfaces by scipy's linear interpolation; the third compares, and its squares must show the same depths, differences,
bands and patches.
"""

import json
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import Geod, Transformer
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import label
from shapely.geometry import Point, shape
from shapely.prepared import prep

PROGRAM = os.environ["LEADLINE_PROGRAM"]
WORK = Path(os.environ["LEADLINE_CACHE"]) / "compare"
LON, LAT = 7.413, 48.21
EAST, NORTH = 1 / 74292.0, 1 / 111198.0  # Degrees a metre about there; only used to make the logs.


def say(name, why, count):
    print(f"not ok compare-{name}: {why}" if why else f"ok compare-{name} ({count})")


def run(home, *args):
    done = subprocess.run(
        [PROGRAM, "--home", str(WORK / home), *map(str, args)], capture_output=True, text=True, cwd=WORK
    )
    if done.returncode:
        raise SystemExit(f"not ok compare: {' '.join(map(str, args))}: {done.stderr.strip()}")
    return done.stdout


def nmea(body):
    return f"${body}*{np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8)):02X}"


def angle(v, letters, width):
    letter = letters[int(v < 0)]
    v = abs(v)
    return f"{int(v):0{width}d}{(v - int(v)) * 60:09.6f},{letter}"


def log(day, offset, bar, seed):
    """Lines 9 m apart, a sounding every 2.4 m, 5 cm noise (one standard deviation)."""
    rng = np.random.default_rng(seed)
    out, i = [], 0
    for row, n in enumerate(np.arange(offset, 200, 9.0)):
        easts = np.arange(0, 300, 2.4)
        for e in easts if row % 2 == 0 else easts[::-1]:
            hill = 0.8 * np.exp(-(((e - bar) / 12) ** 2 + ((n - 100) / 25) ** 2) / 2)
            depth = 5 + 0.008 * n + 0.3 * np.sin(e / 35) - hill + rng.normal(0, 0.05)
            t = f"{9 + i // 3600:02d}{i // 60 % 60:02d}{i % 60:02d}.00"
            place = f"{angle(LAT + n * NORTH, 'NS', 2)},{angle(LON + e * EAST, 'EW', 3)}"
            out += [
                nmea(f"GPRMC,{t},A,{place},4.7,90.0,{day:02d}0526,,,D"),
                nmea(f"GPGGA,{t},{place},2,09,0.9,340.0,M,47.0,M,,"),
                nmea(f"SDDPT,{depth:.2f},0.0"),
            ]
            i += 1
    return "\r\n".join(out) + "\r\n"


def surface(cells):
    to = Transformer.from_crs(4326, 3857, always_xy=True)
    x, y = to.transform(cells.lon.to_numpy(), cells.lat.to_numpy())
    x0, y0 = x.mean(), y.mean()
    linear = LinearNDInterpolator(np.column_stack([x - x0, y - y0]), cells.depth_m.to_numpy())

    def at(lon, lat):
        px, py = to.transform(lon, lat)
        return linear(px - x0, py - y0)

    return at


def main():
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir(parents=True)
    (WORK / "a.nmea").write_text(log(4, 0.0, 100, 1))
    (WORK / "b.nmea").write_text(log(14, 4.0, 165, 2))
    for home, files in {"first": "a", "second": "b", "both": "ab"}.items():
        run(home, "survey", "new", "Testmere", "--datum", "zero of the gauge")
        for boat in "ab":
            run(home, "boat", "set", boat, "--draft", 0, "--sound-speed", 1465.943, "--temperature", 15)
        for day in (1, 12, 24):
            run(home, "stage", "add", "--at", f"2026-05-{day:02d}T08:00Z", "--level", 0)
        for f in files:
            run(home, "import", f"{f}.nmea", "--boat", f)
    sides = []
    for home in ("first", "second"):
        run(home, "export", "cells", "--as", "csv", "-o", f"{home}.csv")
        sides.append(surface(pd.read_csv(WORK / f"{home}.csv", comment="#")))
    told = json.loads(run("both", "compare", "--between", "straight", "--split", "2026-05-10", "--json", "-o", "change.csv"))["comparisons"][0]
    run("both", "compare", "--between", "straight", "--split", "2026-05-10", "-o", "change.geojson")
    squares = pd.read_csv(WORK / "change.csv", comment="#")
    features = json.loads((WORK / "change.geojson").read_text())["features"]
    patches = [f for f in features if f["geometry"]["type"] == "MultiPolygon"]

    before, after = (s(squares.lon.to_numpy(), squares.lat.to_numpy()) for s in sides)
    known = np.isfinite(before) & np.isfinite(after)
    off = np.abs((after - before) - squares.change_m.to_numpy())[known]
    print(f"# {known.sum()} squares; differences against scipy: 99 % within {np.quantile(off, 0.99):.4f} m, all {off.max():.4f} m")
    # Two triangulations of the same points may differ where four of them lie on one circle.
    good = len(squares) > 4000 and known.mean() > 0.97 and np.quantile(off, 0.99) < 0.02 and off.max() < 0.2
    say("difference", None if good else f"{known.mean():.3f} known, {np.quantile(off, 0.99):.4f} m", len(off))

    change, band = squares.change_m.to_numpy(), squares.change95_m.to_numpy()
    # Three decimals in the file: a square exactly on its band may fall either way.
    clear = np.abs(np.abs(change) - band) > 0.0015
    want = np.where(np.abs(change) > band, np.where(change > 0, "scour", "fill"), "none")
    wrong = int((want != squares.proven)[clear].sum())
    say("significance", f"{wrong} squares" if wrong else None, int(clear.sum()))

    still = (np.abs(before - after) < 10) & clear & known
    e = (squares.lon - LON) / EAST
    far = still & (np.abs(e - 100) > 45) & (np.abs(e - 165) > 45)
    rate = float((squares.proven != "none")[far].mean())
    say("false-alarms", None if rate <= 0.05 and far.sum() > 1000 else f"{rate:.3f} of {far.sum()}", f"{rate:.4f}")

    geod, bad = Geod(ellps="WGS84"), []
    for f in patches:
        p, g = f["properties"], shape(f["geometry"])
        mine = squares[squares.patch == p["patch"]]
        area = abs(geod.geometry_area_perimeter(g)[0])
        inside = prep(g)
        held = sum(inside.contains(Point(x, y)) for x, y in zip(mine.lon, mine.lat))
        volume = float((mine.change_m * area / len(mine)).sum())
        if (
            not g.is_valid
            or held != len(mine)
            or abs(area / p["area_m2"] - 1) > 0.01
            or abs(abs(volume) / p["volume_m3"] - 1) > 0.01
            or (volume > 0) != (p["kind"] == "scour")
            or abs(mine.change_m[mine.proven != "none"].abs().max() - abs(p["most_m"])) > 0.0011
        ):
            bad.append((p, area, volume, held, len(mine)))
    say("patches", f"{bad[0]}" if bad else ("none" if len(patches) < 2 else None), len(patches))

    # Proven squares of one sign that touch lie in one patch or are specks: by scipy's labels.
    columns = np.round((squares.lon - squares.lon.min()) / np.diff(np.unique(squares.lon)).min()).astype(int)
    lats = np.unique(squares.lat)[::-1]
    rows = squares.lat.map({v: i for i, v in enumerate(lats)}).to_numpy()
    split = 0
    for kind in ("scour", "fill"):
        grid = np.zeros((rows.max() + 1, columns.max() + 1), int)
        mine = (squares.proven == kind).to_numpy()
        grid[rows[mine], columns[mine]] = 1
        groups = pd.Series(label(grid, np.ones((3, 3)))[0][rows[mine], columns[mine]])
        of = squares.patch[mine].fillna(0).astype(int).groupby(groups.to_numpy()).nunique()
        split += int((of > 1).sum())
    say("joined", f"{split} groups lie in several patches" if split else None, "labels of scipy.ndimage")

    # 2 π · 12 · 25 · 0.8 m = 1508 m³ moved 65 m east.
    truth = 2 * np.pi * 12 * 25 * 0.8
    volumes = [told[k]["volume_m3"] for k in ("scour", "fill")]
    moved = told["moved"]
    inside = all(v["low95"] < truth < v["high95"] and 0.6 < v["best"] / truth < 1.4 for v in volumes)
    good = inside and len(moved) == 1 and abs(moved[0]["distance_m"] - 65) < 8
    say("truth", None if good else f"{volumes} {moved}", f"{volumes[0]['best']:.0f} and {volumes[1]['best']:.0f} of {truth:.0f} m3")

    # The invented water of the demo never changes, but its weed grows: with spikes, wrong stages and an ungauged day.
    run("unused", "demo", "-o", "demo", "--quiet")
    shares = []
    for sides in ("--split=2025-06-01", "--split=2025-08-01", "--split=2025-09-15", "--boats=Heron,Plover"):
        c = json.loads(run("demo/laptop", "compare", sides, "--json"))["comparisons"][0]
        shares.append(c["proven_m2"] / c["common_m2"])
        print(f"# demo {sides}: {shares[-1]:.4f} of {c['common_m2']:.0f} m2, shift {c['shift']['shift_m']:+.3f} m")
    say("demo", None if max(shares) <= 0.05 else f"{max(shares):.3f} of the ground", f"at most {max(shares):.4f}")


main()
