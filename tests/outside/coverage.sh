#!/usr/bin/env bash
# Coverage of the demo against geodesic areas (PROJ), GEOS and a k-d tree of SciPy.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
exec "$LEADLINE_PYTHON" tests/outside/coverage.py "$LEADLINE_PROGRAM" "$out"
