#!/bin/sh
# Reads three real logs with our parser and with pynmea2 (PyPI) and compares them sentence by sentence.
#
#   tests/outside/check_nmea.sh CACHE
#
# CACHE keeps the logs and a Python environment between runs. Exit 3 if they cannot be fetched.
set -eu

[ $# -eq 1 ] || { echo "usage: $0 CACHE" >&2; exit 2; }
here=$(cd "$(dirname "$0")" && pwd)
"$here/fetch_logs.sh" "$1"
cache=$(cd "$1" && pwd)
python=$cache/venv/bin/python
if ! "$python" -c 'import pynmea2' 2>/dev/null; then
    python3 -m venv "$cache/venv" && "$cache/venv/bin/pip" -q install pynmea2==1.19.0 || {
        echo "$0: pynmea2 could not be installed" >&2
        exit 3
    }
fi

cd "$here/../.."
# How many sentences of a type both know each log has.
for log in lake:1323 river:98 moored:244; do
    name=${log%%:*}
    cargo run -q -p leadline-ingest --example sentences -- "$cache/$name.nmea" >"$cache/$name.ours"
    "$python" "$here/nmea_reference.py" "$cache/$name.nmea" >"$cache/$name.reference"
    printf '%s: ' "$name"
    "$python" "$here/compare_nmea.py" "$cache/$name.ours" "$cache/$name.reference" --at-least "${log#*:}"
done
