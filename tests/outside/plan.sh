#!/usr/bin/env bash
# Plans against geodesic lengths (PROJ), an exact optimum of the tour, an independent GPX reader, and the depths.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
exec "$LEADLINE_PYTHON" tests/outside/plan.py "$LEADLINE_PROGRAM" "$out"
