#!/usr/bin/env bash
# What is drawn between the soundings against other programs: natural neighbours (MetPy), kriging (PyKrige, gstools), a
# sampled field whose truth is known (Walker Lake, of Debian's r-cran-gstat), contours (gdal_contour), KML's schema.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
data=${LEADLINE_CACHE:-$out}/walker
if [ ! -f "$data/walker.rda" ]; then
    mkdir -p "$data"
    (cd "$out" && apt-get download -q r-cran-gstat && dpkg -x r-cran-gstat_*.deb gstat) >"$data/fetch.log" 2>&1 &&
        cp "$out"/gstat/usr/lib/R/site-library/gstat/data/walker.rda "$data/"
fi
exec "$LEADLINE_PYTHON" tests/outside/between.py "$LEADLINE_PROGRAM" "$LEADLINE_EXAMPLES/crossval" "$data/walker.rda" "$out"
