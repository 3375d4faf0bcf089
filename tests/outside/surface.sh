#!/usr/bin/env bash
# Withheld tracks of seven surveys by the ways between the tracks, against SciPy, verde, PyKrige and gdal_grid. Each
# survey has its own random numbers, so two halves at once print the same digits as one run.
set -euo pipefail
cd "$(dirname "$0")/../.."
second=$(mktemp)
trap 'rm -f "$second"' EXIT
"$LEADLINE_PYTHON" tests/outside/surface.py "$LEADLINE_EXAMPLES/crossval" 1/2 >"$second" &
other=$!
"$LEADLINE_PYTHON" tests/outside/surface.py "$LEADLINE_EXAMPLES/crossval" 0/2
wait "$other"
cat "$second"
