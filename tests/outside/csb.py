"""`export csb` read by csbschema (IHO B-12, GeoJSON CSB 3.1, schema 3.1.0-2024-04) and by pyogrio (GDAL).
Prints `ok NAME` and `not ok NAME: WHY` lines."""

import json
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pyogrio.raw
import shapely
from csbschema.validators import validate_b12_3_1_0_2024_04 as validate

PROGRAM = os.environ["LEADLINE_PROGRAM"]
WORK = Path(os.environ["LEADLINE_CACHE"]) / "csb"


def say(name, why, count):
    print(f"not ok csb-{name}: {why}" if why else f"ok csb-{name} ({count})")


def run(*args):
    done = subprocess.run(
        [PROGRAM, "--home", str(WORK / "home"), *map(str, args)], capture_output=True, text=True, cwd=WORK
    )
    if done.returncode:
        raise SystemExit(f"not ok csb: {' '.join(map(str, args))}: {done.stderr.strip()}")
    return done.stdout


def nmea(body):
    return f"${body}*{np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8)):02X}"


def log(sentence):
    """300 soundings on one line, one a second, with what `sentence` makes of a depth."""
    out = []
    for i in range(300):
        t, lon, depth = f"10{i // 60:02d}{i % 60:02d}.00", 24.78 + i * 0.002, 3 + 0.01 * i
        place = f"48{12.6:07.4f},N,007{lon:07.4f},E"
        out += [
            nmea(f"GPRMC,{t},A,{place},4.8,90.0,040526,,,D"),
            nmea(f"GPGGA,{t},{place},2,09,0.9,340.0,M,47.0,M,,"),
            nmea(sentence(depth)),
        ]
    return "\r\n".join(out) + "\r\n"


def broken(document):
    """Copies with one fault each, and its name."""
    for name, change in {
        "licence gone": lambda d: d["properties"]["trustedNode"].pop("dataLicense"),
        "id without node": lambda d: d["properties"]["trustedNode"].update(uniqueVesselID="1234"),
        "time with a blank": lambda d: d["features"][3]["properties"].update(time="2026-05-04 10:00:00Z"),
        "depth as text": lambda d: d["features"][3]["properties"].update(depth="3.0"),
        "another boat": lambda d: d["properties"]["platform"].update(uniqueID="X-" + "0" * 8 + "-0000-0000-0000-" + "0" * 12),
        "not processed": lambda d: d["properties"]["platform"].update(dataProcessed=False),
    }.items():
        copy = json.loads(json.dumps(document))
        change(copy)
        yield name, copy


def main():
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir(parents=True)
    run("survey", "new", "Testmere", "--datum", "zero of the gauge")
    run("stage", "add", "--at", "2026-05-04T08:00Z", "--level", 0.7)
    forms = {
        "Transducer": lambda d: f"SDDBT,{d / 0.3048:.1f},f,{d:.2f},M,{d / 1.8288:.1f},F",
        "Waterline": lambda d: f"SDDBS,{d / 0.3048:.1f},f,{d:.2f},M,{d / 1.8288:.1f},F",
        "Unknown": lambda d: f"SDDBK,{d / 0.3048:.1f},f,{d:.2f},M,{d / 1.8288:.1f},F",
    }
    ids = set()
    for reference, form in forms.items():
        boat, file = f"Boat {reference}", WORK / f"{reference}.json"
        text = log(form)
        (WORK / "log.nmea").write_text(text)
        run("boat", "set", boat, "--draft", 0.4, "--sound-speed", 1500)
        run("import", "log.nmea", "--boat", boat)
        run(
            *("export", "csb", "-o", file, "--boat", boat, "--provider", "Our Club", "--email", "depths@example.org"),
            "--i-own-these-and-agree-to-cc0",
        )
        good, result = validate(file)
        document = json.loads(file.read_text())
        node = document["properties"]["trustedNode"]
        ids.add(node["uniqueVesselID"])
        why = None if good else result["errors"][:3]
        if node["verticalReferenceOfDepth"] != reference:
            why = node["verticalReferenceOfDepth"]
        if boat in file.read_text():
            why = "the boat's name is in it"
        say(f"valid-{reference.lower()}", why, len(document["features"]))

        _, _, wkb, fields = pyogrio.raw.read(file, columns=["depth"])
        times = [f["properties"]["time"] for f in document["features"]]
        # Seconds since ten o'clock: the boat does 0.002' of longitude in each, the depth was said within it.
        seconds = [float(t[14:16]) * 60 + float(t[17:-1]) for t in times]
        off = [
            (abs(point.x - 7 - (24.78 + 0.002 * s) / 60), abs(depth - 3 - 0.01 * int(s)))
            for point, depth, s in zip(shapely.from_wkb(wkb)[:-1], fields[0], seconds)
        ]
        worst = np.max(off, axis=0)
        # A place of the grid is 1.7e-7° wide, the file has six decimals; depths are as logged, no draft, no stage.
        fine = len(off) > 280 and worst[0] < 8e-7 and worst[1] < 0.0051
        say(f"as-measured-{reference.lower()}", None if fine else f"{len(off)} rows, off by {worst}", len(off))

    say("ids", None if len(ids) == 3 else f"{ids}", "three boats")
    accepted, n = [], 0
    for name, copy in broken(document):
        path = WORK / "broken.json"
        path.write_text(json.dumps(copy))
        n += 1
        if validate(path)[0]:
            accepted.append(name)
    say("broken-is-refused", f"accepted: {accepted}" if accepted else None, n)


main()
