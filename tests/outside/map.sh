#!/usr/bin/env bash
# The demo's exports against independent readers and interpolators: shapely, pyogrio (GDAL), SciPy.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
if ! cargo build -q --locked -p leadline >"$out/build.log" 2>&1; then
    tail -n 5 "$out/build.log"
    echo "not ok map: the program does not build"
    exit 1
fi
program=${CARGO_TARGET_DIR:-target}/debug/leadline
exec "$LEADLINE_PYTHON" tests/outside/map.py "$program" "$out"
