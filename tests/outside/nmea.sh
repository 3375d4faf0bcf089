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

# Two Rust parsers (`nmea`, `nmea-0183-rs`); the counts are the sentences each knows besides us.
rust_parsers() {
    local name=$1 want=$2 got
    got=$("$LEADLINE_EXAMPLES/two_parsers" "$logs/$name.nmea" 2>"$out/$name.rust")
    if [ "$got" = "$want" ]; then
        echo "ok nmea-$name-rust"
    else
        cat "$out/$name.rust"
        echo "not ok nmea-$name-rust: compared '$got' sentences, wanted '$want'"
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
    rust_parsers lake "877 1179"
    rust_parsers river "82 98"
    rust_parsers moored "122 244"
    ;;
3) echo "skip nmea-real-logs: a tool or the network to fetch them is missing" ;;
*) echo "not ok nmea-real-logs: fetch_logs.sh failed" ;;
esac
