#!/usr/bin/env bash
# Logs that are no NMEA 0183, read by us and by independent readers: a real log of an NMEA 2000 bus (fetched, never
# committed) against the decoder `nmea2000`, GPX tracks against `gpxpy`.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
out=$LEADLINE_CACHE/formats
mkdir -p "$out"
sh tests/outside/fetch_logs.sh "$LEADLINE_CACHE/logs"
case $? in
0)
    "$LEADLINE_EXAMPLES/report" "$LEADLINE_CACHE/logs/bus.can" --json >"$out/bus.ours"
    "$LEADLINE_PYTHON" tests/outside/formats.py bus "$LEADLINE_CACHE/logs/bus.can" "$out/bus.ours"
    ;;
3) echo "skip formats-bus: the log could not be fetched" ;;
*) echo "not ok formats-bus: fetching the log failed" ;;
esac
"$LEADLINE_PYTHON" tests/outside/formats.py write-gpx "$out/track.gpx"
"$LEADLINE_EXAMPLES/report" "$out/track.gpx" --json >"$out/gpx.ours"
"$LEADLINE_PYTHON" tests/outside/formats.py gpx "$out/track.gpx" "$out/gpx.ours"
