#!/usr/bin/env bash
# Slope, curvature, position index and prominences against numpy, scipy, scikit-image and gdaldem; forms of a drowned
# valley (matplotlib's sample data) against the valley itself.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
"$LEADLINE_PYTHON" tests/outside/structure.py "$LEADLINE_EXAMPLES/forms" || echo "not ok structure: structure.py failed"
