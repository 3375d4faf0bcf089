#!/usr/bin/env python3
"""Compares two readings of one log, JSON lines each, sentence by sentence.

    compare_nmea.py OURS REFERENCE [--at-least N]

OURS comes from `cargo run -p leadline-ingest --example sentences -- FILE`, REFERENCE from nmea_reference.py.
A sentence counts as compared if the reference read it and it is of a type both know. Every value either of
them gives must be given by both and agree within TOLERANCE; a depth sentence without depth is a problem with
us and a sentence without depth_m with the reference. Exit 1 on any difference or if too few were compared.
"""
import argparse
import collections
import json
import sys

# Half of the last digit kept: 1e-7 minutes of arc, mm, mm/s, hundredths.
TOLERANCE = {
    "lat": 1e-8, "lon": 1e-8, "time_s": 1e-3, "depth_m": 6e-4, "offset_m": 6e-4, "temp_c": 6e-3,
    "speed_m_s": 6e-4, "hdop": 6e-3, "sats": 0,
}
# What receivers without a fix write for HDOP; we read it as none.
NO_HDOP = 99
DEPTHS = {"DPT", "DBT", "DBS", "DBK"}


def read(path):
    with open(path, encoding="ascii") as lines:
        return {row["line"]: row for row in map(json.loads, lines)}


def differences(ours, theirs):
    kind = theirs["type"]
    if kind in DEPTHS and "depth_m" not in theirs:
        return [] if ours.get("problem") == "no-depth" else [f"expected no-depth, got {ours}"]
    if kind in DEPTHS and theirs["depth_m"] <= 0 and ours.get("problem") == "zero-depth":
        return []
    if ours.get("type") != kind:
        return [f"type {kind}, got {ours}"]
    out = []
    for key in sorted((set(ours) | set(theirs)) - {"file", "line", "type"}):
        a, b = ours.get(key), theirs.get(key)
        if key == "hdop" and a is None and b is not None and b >= NO_HDOP:
            continue
        if a is None or b is None or (a != b if isinstance(b, str) else abs(a - b) > TOLERANCE[key]):
            out.append(f"{kind} {key}: {a} here, {b} there")
    return out


def main():
    args = argparse.ArgumentParser()
    args.add_argument("ours")
    args.add_argument("reference")
    args.add_argument("--at-least", type=int, default=1)
    args = args.parse_args()
    ours, reference = read(args.ours), read(args.reference)
    counts, faults = collections.Counter(), []
    if set(ours) != set(reference):
        faults.append(f"other lines: {sorted(set(ours) ^ set(reference))[:5]}")
    for line, theirs in reference.items():
        kind = theirs.get("type")
        if kind is None:
            counts["refused by the reference"] += 1
            continue
        if kind == "not needed":
            counts["not needed"] += 1
            if ours.get(line, {}).get("problem") == "bad-checksum":
                faults.append(f"line {line}: the reference accepts the checksum")
            continue
        counts[kind] += 1
        faults += [f"line {line}: {d}" for d in differences(ours.get(line, {}), theirs)]
    compared = sum(n for kind, n in counts.items() if len(kind) == 3)
    print(f"compared {compared}: " + ", ".join(f"{k} {n}" for k, n in sorted(counts.items())))
    for fault in faults[:20]:
        print(fault, file=sys.stderr)
    if faults:
        sys.exit(f"{len(faults)} differences")
    if compared < args.at_least:
        sys.exit(f"only {compared} sentences compared, {args.at_least} wanted")


if __name__ == "__main__":
    main()
