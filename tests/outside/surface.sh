#!/usr/bin/env bash
# Withheld tracks of five surveys by the ways between the tracks, against SciPy, verde and PyKrige.
set -euo pipefail
cd "$(dirname "$0")/../.."
exec "$LEADLINE_PYTHON" tests/outside/surface.py "$LEADLINE_EXAMPLES/crossval"
