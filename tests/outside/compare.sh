#!/usr/bin/env bash
# `compare` against scipy (the surfaces), numpy (differences, bands) and shapely (patches), on a made survey with a bar
# that moved.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
export LEADLINE_CACHE LEADLINE_PROGRAM
"$LEADLINE_PYTHON" tests/outside/compare.py || echo "not ok compare: compare.py failed"
