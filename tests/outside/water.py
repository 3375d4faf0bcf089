"""Sound speeds and gauge files against independent libraries. Prints `ok NAME` and `not ok NAME: WHY` lines.

    water.py sound            seawater (UNESCO 1983), gsw (TEOS-10)
    water.py gauges FOLDER    pandas, on series and texts of the packages in FOLDER
"""

import importlib.util
import io
import json
import os
import subprocess
import sys
import warnings
from pathlib import Path

warnings.filterwarnings("ignore", message=".*seawater library is deprecated.*")
import gsw  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import seawater  # noqa: E402

EXAMPLES = Path(os.environ["LEADLINE_EXAMPLES"])
CACHE = Path(os.environ["LEADLINE_CACHE"])
FOOT_MM = 304.8  # exact, 1959


def say(name, bad, count):
    if bad:
        print(f"not ok water-{name}: {len(bad)} of {count}, first {bad[0]}")
    elif count == 0:
        print(f"not ok water-{name}: nothing was compared")
    else:
        print(f"ok water-{name} ({count})")


def ours(example, *args, stdin=""):
    done = subprocess.run(
        [EXAMPLES / example, *map(str, args)], input=stdin, capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


# ---- sound


def sound():
    grid = [
        (t, s, z)
        for t in np.arange(0, 40.01, 0.5)
        for s in (0, 0.01, 0.5, 2, 5, 10, 15, 20, 25, 30, 35, 38, 40)
        for z in (0, 1, 5, 20, 100, 300)
    ]
    outside = [(-0.6, 5, 0), (40.1, 5, 0), (10, 40.1, 0), (10, -0.1, 0), (10, 5, -1), (10, 5, 10000), (-0.6, 0, 0)]
    lines = ours("sound_speeds", stdin="\n".join(f"{t} {s} {z}" for t, s, z in grid + outside))
    say("out-of-range", [p for p, l in zip(outside, lines[len(grid) :], strict=True) if l != "none"], len(outside))

    t, s, z = (np.array(c) for c in zip(*grid))
    c = np.array(list(map(float, lines[: len(grid)])))
    dbar = z / 0.9936
    salt = s > 0
    # The same equation, so only rounding may differ.
    off = np.abs(c - seawater.svel(s, t, dbar))
    say("unesco", [(grid[i], off[i]) for i in np.flatnonzero(salt & (off > 1e-6))], int(salt.sum()))

    # Another formula: TEOS-10 in its exact form. Fresh water at the surface; then the sea's salinities. The limits are
    # those of the two formulas against each other, measured with gsw 3.6.23 and seawater 3.3.5.
    exact = gsw.sound_speed_t_exact(s * 35.16504 / 35, t, dbar)
    off = np.abs(c - exact)
    fresh = ~salt & (z == 0) & (t <= 30)
    say("teos10-fresh", [(grid[i], off[i]) for i in np.flatnonzero(fresh & (off > 0.03))], int(fresh.sum()))
    deep = ~salt & (z <= 100)
    say("teos10-fresh-100m", [(grid[i], off[i]) for i in np.flatnonzero(deep & (off > 1.8))], int(deep.sum()))
    other = np.abs(seawater.svel(s, t, dbar) - exact)
    print(f"# largest difference of seawater and gsw: {other[salt].max():.3f} m/s; ours and gsw: {off[salt].max():.3f}")
    say("teos10-salt", [(grid[i], off[i]) for i in np.flatnonzero(salt & (off > 0.4))], int(salt.sum()))


# ---- gauges


def levels(file, *args):
    """Readings by site, as (UTC ms, mm), reasons with their counts, and why the file was refused."""
    taken, skipped, refused = {}, {}, None
    for line in ours("gauge_levels", file, *args):
        word, rest = line.split(" ", 1)
        if word == "take":
            site, ms, mm = rest.split()
            taken.setdefault(site, []).append((int(ms), int(mm)))
        elif word == "skip":
            count, why = rest.split(" ", 1)
            skipped[why] = int(count)
        else:
            refused = rest
    return taken, skipped, refused


def rdb(site, frame):
    """An RDB text as the agency writes it: local times with the zone's code, feet."""
    text = io.StringIO()
    text.write("# ---- WARNING ----\n#\n# Data for the following 1 site(s) are contained in this file\n")
    text.write("agency_cd\tsite_no\tdatetime\ttz_cd\t69928_00065\t69928_00065_cd\n5s\t15s\t20d\t6s\t14n\t10s\n")
    frame.assign(agency="USGS", site=site)[["agency", "site", "local", "zone", "feet", "mark"]].to_csv(
        text, sep="\t", header=False, index=False
    )
    return text.getvalue()


def compare_series(name, site, utc, feet, marks, zone):
    """`feet` are texts. Writes them as RDB with pandas, reads that with ours and with pandas, and compares both."""
    local = utc.tz_convert(zone)
    frame = pd.DataFrame(
        {"local": local.strftime("%Y-%m-%d %H:%M"), "zone": local.strftime("%Z"), "feet": feet, "mark": marks}
    )
    file = CACHE / f"gauge-{name}.rdb"
    file.write_text(rdb(site, frame))
    taken, skipped, refused = levels(file)

    again = pd.read_csv(file, sep="\t", comment="#", skiprows=[4], dtype=str, keep_default_na=False)
    value = pd.to_numeric(again["69928_00065"], errors="coerce")
    good = (value.notna() & (value != -999999) & ~again["69928_00065_cd"].str.contains("Ice|Eqp")).to_numpy()
    # 1 ft in whole mm; a half may fall either way in binary.
    fine = value.to_numpy() * FOOT_MM
    ms = utc.as_unit("ms").asi8
    want = [(int(m), f) for m, f in zip(ms[good], fine[good])]
    got = taken.get(site, [])
    bad = [
        (w, g) for w, g in zip(want, got) if w[0] != g[0] or abs(w[1] - g[1]) > 0.5 + 1e-6
    ]
    if refused or len(got) != len(want) or sum(skipped.values()) != int((~good).sum()):
        bad.append((refused, len(got), len(want), skipped))
    say(f"rdb-{name}", bad, len(want))


def fixtures(folder, module):
    spec = importlib.util.spec_from_file_location(module, folder / "hydrofunctions" / "tests" / f"{module}.py")
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


def gauges(folder):
    folder = Path(folder)
    notebooks = folder / "hydrofunctions" / "docs" / "notebooks"
    for name, file, site in [
        ("flood-month", "DeadRun_Instant", "01589330"),
        ("three-years", "graphing-2", "01581752"),
    ]:
        data = pd.read_parquet(notebooks / f"{file}.parquet")
        feet = data[f"USGS:{site}:00065:00000"].map(lambda v: "" if pd.isna(v) else f"{v:.2f}").to_numpy(copy=True)
        marks = data[f"USGS:{site}:00065:00000_qualifiers"].fillna("").astype(str).to_numpy(copy=True)
        # What the agency writes where there is no level.
        feet[5], feet[77], marks[77], marks[99], feet[111] = "Ice", "Eqp", "P", "P Ice", "-999999"
        compare_series(name, site, data.index, feet, marks, "America/New_York")

    answers = [json.loads((folder / "dataretrieval/tests/data/waterservices_iv.txt").read_text())]
    answers += [fixtures(folder, "fixtures_tzfail").tzfail]
    for number, answer in enumerate(answers):
        for series in answer["value"]["timeSeries"]:
            if series["variable"]["variableCode"][0]["value"] != "00065":
                continue
            site = series["sourceInfo"]["siteCode"][0]["value"]
            rows = series["values"][0]["value"]
            utc = pd.DatetimeIndex(pd.to_datetime([r["dateTime"] for r in rows], utc=True))
            zone = "America/New_York" if number == 0 else "America/Chicago"
            marks = [" ".join(r["qualifiers"]) for r in rows]
            compare_series(f"answer-{number}-{site}", site, utc, [r["value"] for r in rows], marks, zone)

    # Real RDB texts that hold no series of levels must say so.
    texts = fixtures(folder, "fixtures_usgs_rdb")
    field = CACHE / "gauge-field.rdb"
    field.write_text(texts.field_fixture)
    rows = len(pd.read_csv(field, sep="\t", comment="#", dtype=str)) - 1
    refused = []
    for file, why in [
        (folder / "dataretrieval/tests/data/nwis_sites.txt", "no column of gauge heights"),
        (folder / "dataretrieval/tests/data/waterservices_peaks.txt", "no column of gauge heights"),
        (folder / "dataretrieval/tests/data/waterservices_ratings.txt", "must name the columns"),
        (folder / "dataretrieval/tests/data/waterservices_iv.txt", "must name the columns"),
        (field, f"{rows} rows were left out, most because the date has no time of day"),
    ]:
        taken, _, words = levels(file)
        if taken or why not in (words or ""):
            refused.append((file.name, words))
    say("refusals", refused, 5)

    # The package's list of zone codes.
    spec = importlib.util.spec_from_file_location("zones", folder / "dataretrieval/dataretrieval/codes/timezones.py")
    zones = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(zones)
    pairs = [line.split() for line in ours("gauge_levels", "--zones")]

    def minutes(offset):
        return int(offset[0] + "1") * (int(offset[1:3]) * 60 + int(offset[3:5]))

    wrong = [(c, m, zones.tz.get(c)) for c, m in pairs if minutes(zones.tz.get(c, "+9999")) != int(m)]
    say("zones", wrong, len(pairs))


if __name__ == "__main__":
    if sys.argv[1:] == ["sound"]:
        sound()
    elif sys.argv[1:2] == ["gauges"] and len(sys.argv) == 3:
        gauges(sys.argv[2])
    else:
        sys.exit(__doc__)
