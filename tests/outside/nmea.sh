#!/usr/bin/env bash
# Our reading of sentences against pynmea2: real logs (fetched, never committed) and the invented ones.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
logs=$LEADLINE_CACHE/logs
out=$LEADLINE_CACHE/nmea
mkdir -p "$out"

compare() {
    local name=$1 file=$2 least=$3
    if "$LEADLINE_EXAMPLES/sentences" "$file" >"$out/$name.ours" &&
        "$LEADLINE_PYTHON" tests/outside/nmea_reference.py "$file" >"$out/$name.reference" &&
        "$LEADLINE_PYTHON" tests/outside/compare_nmea.py "$out/$name.ours" "$out/$name.reference" --at-least "$least"
    then
        echo "ok nmea-$name"
    else
        echo "not ok nmea-$name: differs from pynmea2, see above"
    fi
}

# The invented logs lack nothing that is to be had offline.
for file in demo-data/logs/*.nmea; do
    compare "$(basename "$file" .nmea)" "$file" 3000
done

sh tests/outside/fetch_logs.sh "$logs"
case $? in
0) # How many sentences of a type both know each log has.
    compare lake "$logs/lake.nmea" 1323
    compare river "$logs/river.nmea" 98
    compare moored "$logs/moored.nmea" 244
    ;;
3) echo "skip nmea-real-logs: a tool or the network to fetch them is missing" ;;
*) echo "not ok nmea-real-logs: fetch_logs.sh failed" ;;
esac
