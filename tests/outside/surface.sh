#!/usr/bin/env bash
# Withheld tracks of seven surveys by the ways between the tracks, against SciPy, verde, PyKrige and gdal_grid. Each
# survey has its own random numbers, so two halves at once print the same digits as one run.
#
#   surface.sh        two of the five folds, what every run of the tests has time for
#   surface.sh all    all five: the table in docs/method.md
set -euo pipefail
cd "$(dirname "$0")/../.."
# Two programs with a thread each: with more of them threads would wait for each other.
export OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
folds=(0 2)
[ "${1:-}" = all ] && folds=(0 1 2 3 4)
second=$(mktemp)
trap 'rm -f "$second"' EXIT
"$LEADLINE_PYTHON" tests/outside/surface.py "$LEADLINE_EXAMPLES/crossval" 1/2 "${folds[@]}" >"$second" &
other=$!
"$LEADLINE_PYTHON" tests/outside/surface.py "$LEADLINE_EXAMPLES/crossval" 0/2 "${folds[@]}"
wait "$other"
cat "$second"
