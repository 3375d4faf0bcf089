#!/usr/bin/env bash
# The least squares of levelling against SciPy and statsmodels, on random networks of crossings.
set -u
cd "$(dirname "$0")/../.." || exit 2
exec "$LEADLINE_PYTHON" tests/outside/level.py
