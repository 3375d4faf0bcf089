#!/usr/bin/env bash
# The demo's chart in every form against independent readers: pypdf, Pillow, lxml.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
exec "$LEADLINE_PYTHON" tests/outside/picture.py "$LEADLINE_PROGRAM" "$out"
