#!/usr/bin/env bash
# `export csb` against csbschema, the validator of the crowd-sourced bathymetry convention, with the network off where
# that can be done.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
export LEADLINE_CACHE LEADLINE_PROGRAM
apart=()
unshare --net true 2>/dev/null && apart=(unshare --net)
"${apart[@]}" "$LEADLINE_PYTHON" tests/outside/csb.py || echo "not ok csb: csb.py failed"
