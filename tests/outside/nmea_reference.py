#!/usr/bin/env python3
"""Reads NMEA 0183 logs with pynmea2 (PyPI, MIT) and prints one JSON line a sentence.

    nmea_reference.py FILE...

Keys: file, line, type, and what the sentence says: lat, lon (degrees), time_s (of the day), date, depth_m,
offset_m, temp_c, speed_m_s, hdop, sats. A sentence pynmea2 refuses has the key "problem".
"""
import json
import sys

import pynmea2

KNOT = 1852 / 3600


def number(text):
    return None if text is None or str(text).strip() == "" else float(text)


def scaled(text, factor):
    value = number(text)
    return None if value is None else value * factor


def seconds(time):
    return None if time is None or time == "" else (
        time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6
    )


def position(m):
    if not (m.lat and m.lon):
        return {}
    return {"lat": m.latitude, "lon": m.longitude}


def says(m):
    kind = m.sentence_type
    if kind in ("GGA", "GNS"):
        hdop = number(getattr(m, "horizontal_dil", None) or getattr(m, "hdop", None))
        return {**position(m), "time_s": seconds(m.timestamp), "hdop": hdop,
                "sats": number(m.num_sats)}
    if kind == "RMC":
        date = m.datestamp.isoformat() if m.datestamp else None
        return {**position(m), "time_s": seconds(m.timestamp), "date": date,
                "speed_m_s": scaled(m.spd_over_grnd, KNOT)}
    if kind == "GLL":
        return {**position(m), "time_s": seconds(m.timestamp)}
    if kind == "VTG":
        return {"speed_m_s": scaled(m.spd_over_grnd_kts, KNOT)}
    if kind == "GSA":
        return {"hdop": number(m.hdop)}
    if kind == "ZDA":
        day = [number(v) for v in (m.year, m.month, m.day)]
        date = None if None in day else "%04d-%02d-%02d" % tuple(int(v) for v in day)
        return {"time_s": seconds(m.timestamp), "date": date}
    if kind == "MTW":
        return {"temp_c": number(m.temperature)}
    if kind == "DPT":
        return {"depth_m": number(m.depth), "offset_m": number(m.offset) or None}
    if kind in ("DBT", "DBS", "DBK"):
        depth = number(m.depth_meters)
        if depth is None:
            depth = scaled(m.depth_feet, 0.3048)
        if depth is None:
            depth = scaled(m.depth_fathoms, 1.8288)
        return {"depth_m": depth}
    return None


def main(paths):
    for path in paths:
        with open(path, encoding="ascii", errors="replace", newline="\n") as log:
            for n, line in enumerate(log, 1):
                line = line.strip()
                if not line or line.startswith("#"):
                    continue
                out = {"file": path, "line": n}
                try:
                    message = pynmea2.parse(line, check=True)
                    said = says(message) if isinstance(message, pynmea2.TalkerSentence) else None
                    out["type"] = message.sentence_type if said is not None else "not needed"
                    out.update({k: v for k, v in (said or {}).items() if v is not None})
                except (pynmea2.ParseError, ValueError, AttributeError) as error:
                    out["problem"] = type(error).__name__
                print(json.dumps(out))


if __name__ == "__main__":
    main(sys.argv[1:])
