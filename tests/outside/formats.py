"""Soundings as our reader gives them (JSON lines) against independent readers of the same file.

    formats.py bus LOG OURS        the PyPI package nmea2000
    formats.py write-gpx FILE      a track written with gpxpy, depths in extensions
    formats.py gpx FILE OURS       gpxpy
"""
import bisect
import datetime
import json
import random
import sys
import xml.etree.ElementTree as ET

import gpxpy
import gpxpy.gpx

# A unit of the survey grid: 360 degrees / 2^31; a position is rounded to one, and interpolated between two rounded.
UNIT = 360 / 2**31


def check(name, bad, note):
    print(f"ok {name} ({note})" if not bad else f"not ok {name}: {len(bad)} differ, first {bad[0]} ({note})")


def ours_of(path):
    with open(path, encoding="ascii") as lines:
        return [json.loads(line) for line in lines]


def bus_reference(path):
    """Stamps, times and places of all 129029, and stamps, depths and offsets of all 128267."""
    from nmea2000.decoder import NMEA2000Decoder
    decoder, fixes, depths = NMEA2000Decoder(), [], []
    ends, waiting = [], 0
    with open(path, encoding="ascii") as lines:
        for line in lines:
            if line.startswith("#"):
                continue
            stamp = float(line[1:line.index(")")])
            message = decoder.decode(line.strip())
            # A fix is told in seven frames. The reference may take the first ones of a message for the end of an
            # older one and speak early: its values are right, the moment is the seventh frame's.
            frame, data = line.split()[2].split("#")
            if message is not None and message.PGN == 129029:
                waiting += 1
            if int(frame, 16) >> 8 & 0x3ffff == 129029 and int(data[:2], 16) & 31 == 6:
                ends.extend([stamp] * waiting)
                waiting = 0
            if message is None or message.PGN not in (128267, 129029):
                continue
            f = {x.id: x for x in message.fields}
            if message.PGN == 129029:
                seconds = f["date"].raw_value * 86400 + f["time"].raw_value
                fixes.append((stamp, seconds, f["longitude"].value, f["latitude"].value, f["numberOfSvs"].value, f["hdop"].value))
            else:
                depths.append((stamp, f["depth"].value, f["offset"].value))
    return [(end, *fix[1:]) for end, fix in zip(ends, fixes)], depths


def bus(log, ours):
    fixes, depths = bus_reference(log)
    stamps = [f[0] for f in fixes]
    got = ours_of(ours)
    bad_depth, bad_place, bad_time, bad_quality, compared = [], [], [], [], 0
    if len(got) != len(depths):
        bad_depth.append((len(got), len(depths)))
    for i, (g, (stamp, depth, offset)) in enumerate(zip(got, depths)):
        if abs(g["depth_mm"] - depth * 1000) > 0.5 or abs((g["offset_mm"] or 0) - offset * 1000) > 0.5:
            bad_depth.append((i, g, depth, offset))
        after = bisect.bisect_right(stamps, stamp)
        if not 0 < after < len(fixes):
            continue
        a, b = fixes[after - 1], fixes[after]
        part = (stamp - a[0]) / (b[0] - a[0])
        # Over longer gaps we take the positions that come without a time: at the last time plus the stamps since.
        near = b[0] - a[0] <= 2
        compared += near
        lon, lat = (a[k] + (b[k] - a[k]) * part for k in (2, 3))
        if abs(g["lon"] - lon) > (2 if near else 40) * UNIT or abs(g["lat"] - lat) > (2 if near else 40) * UNIT:
            bad_place.append((i, g["lon"] - lon, g["lat"] - lat))
        # Stamps are read to whole milliseconds: two of them, and one of rounding down.
        if abs(g["t_ms"] - 1000 * (a[1] + (b[1] - a[1]) * part)) > (3 if near else 150):
            bad_time.append((i, g["t_ms"], a, b))
        if (g["sats"], g["hdop_centi"]) != (a[4], round(a[5] * 100)):
            bad_quality.append((i, g, a))
    note = f"{len(depths)} depths, {len(fixes)} fixes, {compared} between fixes at most 2 s apart"
    if len(depths) < 190 or len(fixes) < 190 or compared < 150:
        bad_depth.append("too few in the log")
    check("formats-bus-depths", bad_depth, note)
    check("formats-bus-places", bad_place, note)
    check("formats-bus-times", bad_time, note)
    check("formats-bus-quality", bad_quality, note)


def write_gpx(path):
    random.seed(5)
    gpx = gpxpy.gpx.GPX()
    gpx.nsmap["s"] = "urn:example:sounder"
    segment = gpxpy.gpx.GPXTrackSegment()
    gpx.tracks.append(gpxpy.gpx.GPXTrack(name='bay & "creek" <north>'))
    gpx.tracks[0].segments.append(segment)
    start = datetime.datetime(2026, 5, 1, 23, 55, tzinfo=datetime.timezone.utc)
    for i in range(600):
        point = gpxpy.gpx.GPXTrackPoint(
            52.85 + random.uniform(0, 0.01), 5.31 + random.uniform(0, 0.01),
            time=start + datetime.timedelta(milliseconds=1100 * i), horizontal_dilution=round(random.uniform(0.5, 3), 1))
        if i % 7:
            depth = ET.Element("{urn:example:sounder}depth")
            depth.text = f"{random.uniform(0.4, 30):.2f}"
            point.extensions.append(depth)
        segment.points.append(point)
    with open(path, "w", encoding="utf-8") as out:
        out.write(gpx.to_xml(version="1.1"))


def gpx(path, ours):
    with open(path, encoding="utf-8") as file:
        points = [p for t in gpxpy.parse(file).tracks for s in t.segments for p in s.points]
    expected = []
    for p in points:
        depth = [e for e in p.extensions if e.tag.split("}")[-1] == "depth"]
        if depth:
            ms = round(p.time.timestamp() * 1000)
            expected.append((ms, p.longitude, p.latitude, round(float(depth[0].text) * 1000), round(p.horizontal_dilution * 100)))
    got = ours_of(ours)
    bad = [] if len(got) == len(expected) > 400 else [(len(got), len(expected))]
    for g, e in zip(got, expected):
        place = max(abs(g["lon"] - e[1]), abs(g["lat"] - e[2]))
        if (g["t_ms"], g["depth_mm"], g["hdop_centi"]) != (e[0], e[3], e[4]) or place > UNIT:
            bad.append((g, e))
    check("formats-gpx", bad, f"{len(expected)} points with a depth of {len(points)}")


if __name__ == "__main__":
    {"bus": bus, "write-gpx": write_gpx, "gpx": gpx}[sys.argv[1]](*sys.argv[2:])
