#!/usr/bin/env bash
# The demo's exports against independent readers and interpolators: shapely, pyogrio (GDAL), SciPy.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
program=$LEADLINE_PROGRAM
exec "$LEADLINE_PYTHON" tests/outside/map.py "$program" "$out"
