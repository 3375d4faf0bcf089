#!/usr/bin/env bash
# Every vector export of the demo read back by GDAL (pyogrio), gpxpy, lxml, SQLite, and GDAL's GeoPackage validator.
set -u
cd "$(dirname "$0")/../.." || exit 2
has_validator() { /usr/bin/python3 -c 'import osgeo_utils.samples.validate_gpkg' 2>/dev/null; }
if ! has_validator && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
    { apt-get -q update && DEBIAN_FRONTEND=noninteractive apt-get -q -y --no-install-recommends install python3-gdal; } >&2
fi
has_validator || echo "skip exports-validate-gpkg: python3-gdal is not there"
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
"$LEADLINE_PYTHON" tests/outside/exports.py "$LEADLINE_PROGRAM" "$out"
