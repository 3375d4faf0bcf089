"""Forms of the bed against independent programs, and against a bed that is known. Prints `ok NAME` / `not ok NAME: WHY`.

References: Horn's slope by numpy and by gdaldem (GDAL); Evans' quadratic by numpy.linalg.lstsq; the position index by
scipy.ndimage; prominences by scikit-image's h_maxima (grey reconstruction, another algorithm than a sweep).
Known bed: the valley elevation model jacksboro_fault_dem.npz of matplotlib's sample data, scaled to a reservoir and
sounded by invented boats.

  structure.py EXAMPLE
"""

import math
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from matplotlib.cbook import get_sample_data
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator
from skimage.morphology import h_maxima, reconstruction


def say(name, bad, count):
    if bad:
        print(f"not ok structure-{name}: {len(bad)} of {count}, first {bad[0]}")
    elif count == 0:
        print(f"not ok structure-{name}: nothing was compared")
    else:
        print(f"ok structure-{name} ({count})")


def ours(soundings):
    text = "\n".join(" ".join(f"{v:.4f}" for v in s) for s in soundings)
    out = subprocess.run([sys.argv[1]], input=text, capture_output=True, text=True, check=True).stdout
    nodes, forms, step = [], [], math.nan
    for line in out.splitlines():
        word, *rest = line.split()
        if word == "step":
            step = float(rest[0])
        elif word == "node":
            nodes.append([float(v) for v in rest])
        elif word == "form":
            kind, scale, e, n, relief, band, length, width, area, fall, grade, is_open, visits, *way = rest
            forms.append(
                {
                    "kind": kind,
                    "scale": scale,
                    "at": (float(e), float(n)),
                    "relief": float(relief),
                    "band": float(band),
                    "length": float(length),
                    "width": float(width),
                    "area": float(area),
                    "grade": grade,
                    "open": is_open == "true",
                    "line": [tuple(map(float, p.split(","))) for p in way[0].split(";")] if way else [],
                }
            )
    return np.array(nodes), forms, step


def lines(bed, half, spacing, sigma, rng, turn=0.0):
    """Wobbling lines over a square, a sounding every 2 m, four minutes from line to line, and three cross lines."""
    out = []
    c, s = math.cos(turn), math.sin(turn)
    offsets = [(False, o) for o in np.arange(-half, half + 1, spacing)] + [(True, o) for o in (-half / 2, 7.0, half / 2)]
    for k, (cross, offset) in enumerate(offsets):
        along = np.arange(-half, half, 2.0)
        side = offset + 2.0 * np.sin(along / 37 + rng.uniform(0, 6))
        x, y = (along, side) if cross else (side, along)
        e, n = c * x - s * y, s * x + c * y
        depth = bed(e, n) + rng.normal(0, sigma, len(along))
        out += [(a, b, d, 1.96 * max(sigma, 0.02), 240.0 * k + i) for i, (a, b, d) in enumerate(zip(e, n, depth)) if np.isfinite(d)]
    return out


def grid(nodes):
    """Row-by-row arrays (south first) of the columns of `nodes`, NaN where nothing is known."""
    r, c = nodes[:, 0].astype(int), nodes[:, 1].astype(int)
    shape = (r.max() - r.min() + 1, c.max() - c.min() + 1)
    out = []
    for k in range(2, nodes.shape[1]):
        a = np.full(shape, np.nan)
        a[r - r.min(), c - c.min()] = nodes[:, k]
        out.append(a)
    return out


def close(name, mine, reference, tolerance):
    both = np.isfinite(mine) & np.isfinite(reference)
    off = np.abs(mine - reference)[both]
    bad = np.flatnonzero(off > tolerance)
    say(name, [float(off[i]) for i in bad], int(both.sum()))
    if (np.isfinite(mine) & ~np.isfinite(reference)).any():
        print(f"not ok structure-{name}-rim: we say something where the reference has nothing")


def formulas(z, step, slope, one, two, index):
    # Horn 1981: weights 1-2-1.
    east = np.array([[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]]) / (8 * step)
    dx = ndimage.correlate(z, east, mode="constant", cval=np.nan)
    dy = ndimage.correlate(z, east.T, mode="constant", cval=np.nan)
    close("slope-numpy", slope, np.hypot(dx, dy), 1e-8)

    # Evans 1980: least squares in every 3 x 3 window.
    x, y = np.meshgrid([-step, 0, step], [-step, 0, step])
    a = np.column_stack([v.ravel() for v in (x * x, y * y, x * y, x, y, np.ones_like(x))])
    windows = np.lib.stride_tricks.sliding_window_view(z, (3, 3)).reshape(-1, 9)
    q = np.linalg.lstsq(a, np.where(np.isfinite(windows), windows, 0).T, rcond=None)[0]
    q[:, ~np.isfinite(windows).all(axis=1)] = np.nan
    both = np.full((2, *z.shape), np.nan)
    for k in np.flatnonzero(np.isfinite(q[0])):
        values = np.linalg.eigvalsh([[2 * q[0, k], q[2, k]], [q[2, k], 2 * q[1, k]]])
        values = values[np.argsort(-np.abs(values))]
        i, j = divmod(k, z.shape[1] - 2)
        both[:, i + 1, j + 1] = values
    equal = np.abs(np.abs(both[0]) - np.abs(both[1])) < 1e-8  # Either may be first.
    close("curvature-numpy", np.where(equal, np.nan, one), both[0], 1e-10)
    close("curvature-numpy-second", np.where(equal, np.nan, two), both[1], 1e-10)

    # Lundblad et al. 2006: the mean of the ring of 2 to 5 steps, of what is known of it.
    v, u = np.meshgrid(range(-5, 6), range(-5, 6))
    ring = ((np.hypot(u, v) >= 2) & (np.hypot(u, v) <= 5)).astype(float)
    known = np.isfinite(z)
    total = ndimage.correlate(np.where(known, z, 0), ring, mode="constant", cval=0)
    count = ndimage.correlate(known.astype(float), ring, mode="constant", cval=0)
    close("index-scipy", index, np.where(known, total / np.maximum(count, 1) - z, np.nan), 1e-6)


def gdaldem(z, step, slope):
    with tempfile.TemporaryDirectory() as folder:
        grid_file, slope_file = Path(folder) / "bed.asc", Path(folder) / "slope.asc"
        rows = np.where(np.isfinite(z), z, -9999.0)[::-1]
        header = f"NCOLS {z.shape[1]}\nNROWS {z.shape[0]}\nXLLCORNER 0\nYLLCORNER 0\nCELLSIZE {step}\nNODATA_VALUE -9999\n"
        grid_file.write_text(header + "\n".join(" ".join(f"{v:.9f}" for v in r) for r in rows) + "\n")
        tif = Path(folder) / "bed.tif"
        run = lambda *a: subprocess.run(a, check=True, capture_output=True)
        run("gdal_translate", "-q", "-ot", "Float64", str(grid_file), str(tif))
        run("gdaldem", "slope", "-q", "-p", "-alg", "Horn", str(tif), str(Path(folder) / "slope.tif"))
        run("gdal_translate", "-q", "-of", "AAIGrid", "-co", "DECIMAL_PRECISION=6", str(Path(folder) / "slope.tif"), str(slope_file))
        text = slope_file.read_text().splitlines()
        body = [r for r in text if r and not r[0].isalpha()]
        back = np.array([[float(v) for v in r.split()] for r in body])[::-1]
    close("slope-gdaldem", slope, np.where(back == -9999, np.nan, back / 100), 2e-6)


def prominences(name, forms, z, west, south, step, up):
    """Every fine hump's relief is exactly the greatest h for which its top is an h-maximum."""
    height = np.where(np.isfinite(z), up * z, -1e6)
    bad, count = [], 0
    for f in forms:
        if f["scale"] == "broad" or f["open"]:
            continue
        j, i = int((f["at"][0] - west) // step), int((f["at"][1] - south) // step)
        around = height[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2]
        k = np.unravel_index(np.argmax(around), around.shape)
        i, j = max(i - 1, 0) + k[0], max(j - 1, 0) + k[1]
        above = height[i, j] - reconstruction(np.minimum(height, height[i, j] - f["relief"] + 1e-6), height)[i, j]
        if height[i, j] == height.max():
            continue  # The highest of all has no key col.
        count += 1
        yes = h_maxima(height, f["relief"] - 1e-5)[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].any()
        no = h_maxima(height, f["relief"] + 1e-5)[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].any()
        if not yes or no:
            bad.append((f["at"], f["relief"], bool(yes), bool(no), float(above)))
    say(name, bad, count)


def waves(rng, count=24):
    """A smooth random bed: waves of 90 to 300 m."""
    parts = []
    for _ in range(count):
        length, bearing = rng.uniform(90, 300), rng.uniform(0, math.tau)
        k = math.tau / length
        parts.append((k * math.cos(bearing), k * math.sin(bearing), rng.uniform(0, math.tau), 0.35 * length / 150))
    return lambda e, n: 9 + sum(a * np.sin(kx * e + ky * n + p) for kx, ky, p, a in parts)


def random_bed(seed):
    rng = np.random.default_rng(seed)
    nodes, forms, step = ours(lines(waves(rng), 300, 16, 0.02, rng, turn=0.3 * seed))
    e, n, z, slope, one, two, index = grid(nodes)
    formulas(z, step, slope, one, two, index)
    gdaldem(z, step, slope)
    west, south = np.nanmin(e) - step / 2, np.nanmin(n) - step / 2
    prominences("humps-scikit-image", [f for f in forms if f["kind"] == "hump"], z, west, south, step, -1)
    prominences("holes-scikit-image", [f for f in forms if f["kind"] == "hole"], z, west, south, step, 1)


def truth_peaks(z, cell, up, least):
    """Places and prominences of the peaks of the true bed with at least `least` metres, without those on its edge."""
    height = up * z
    at = np.argwhere(ndimage.label(h_maxima(height, least))[0] > 0)
    return [((j + 0.5) * cell, (i + 0.5) * cell) for i, j in at if 2 < i < z.shape[0] - 3 and 2 < j < z.shape[1] - 3]


def drowned_valley():
    """Humps and holes of a real valley, sounded every 20 m with errors: are they there, and are the great ones found?"""
    rng = np.random.default_rng(5)
    z = get_sample_data("jacksboro_fault_dem.npz")["elevation"].astype(float)
    told = real = wanted = seen = 0
    for rows, columns in [(slice(20, 170), slice(20, 170)), (slice(180, 330), slice(220, 370)), (slice(100, 250), slice(100, 250))]:
        part = ndimage.zoom(z[rows, columns], 2, order=3)
        part = 15 * (part.max() - part) / (part.max() - part.min()) + 1
        cell = 4.0
        n = cell * (np.arange(part.shape[0]) + 0.5) - 600
        at = RegularGridInterpolator((n, n), part, bounds_error=False)
        bed = lambda e, nn: at(np.column_stack([nn, e]))
        _, forms, _ = ours(lines(bed, 590, 20, 0.08, rng))
        for kind, up in (("hump", -1), ("hole", 1)):
            mine = [f for f in forms if f["kind"] == kind]
            place = lambda p: (p[0] - 600, p[1] - 600)
            # Smoothed as two tracks can see it.
            smooth = ndimage.gaussian_filter(part, 8 / cell)
            any_true = [place(p) for p in truth_peaks(part, cell, up, 0.1)]
            great = [place(p) for p in truth_peaks(smooth, cell, up, 1.0)]
            near = lambda p, q: math.dist(p, q) <= 30
            # Of an open one the top may lie where nobody sounded; it says so itself.
            closed = [f for f in mine if not f["open"]]
            told += len(closed)
            real += sum(any(near(f["at"], p) for p in any_true) for f in closed)
            inside = [p for p in great if max(map(abs, p)) < 560]
            wanted += len(inside)
            seen += sum(any(near(f["at"], p) for f in mine) for p in inside)
    print(f"# drowned valley: {told} closed humps and holes told, {real} within 30 m of a true one of 0.1 m or more;")
    print(f"# of {wanted} true ones of 1 m or more, {seen} are told")
    say("valley-told-are-true", [] if real >= 0.95 * told else [f"{real} of {told}"], told)
    say("valley-great-are-told", [] if seen >= 0.8 * wanted else [f"{seen} of {wanted}"], wanted)


def main():
    for seed in (1, 2):
        random_bed(seed)
    drowned_valley()


main()
