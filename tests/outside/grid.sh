#!/usr/bin/env bash
# The survey grid against pyproj (EPSG:3857, geodesic areas) and mercantile (quadkeys, tile bounds).
set -euo pipefail
cd "$(dirname "$0")/../.."
points=$LEADLINE_CACHE/grid-points.txt
answers=$LEADLINE_CACHE/grid-answers.txt
"$LEADLINE_PYTHON" tests/outside/grid.py points >"$points"
"$LEADLINE_EXAMPLES/grid" <"$points" >"$answers"
"$LEADLINE_PYTHON" tests/outside/grid.py compare "$points" "$answers"
