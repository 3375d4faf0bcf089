#!/bin/sh
# Fetches two source packages with real gauge data into CACHE as folders `dataretrieval` and `hydrofunctions`.
#
#   tests/outside/fetch_gauges.sh CACHE      (LEADLINE_PYTHON names the Python)
#
# Their code is CC0 and MIT, their data public domain (United States Geological Survey). Nothing of them is kept
# in this repository. The versions are pinned; the answers of the checks depend on them.
set -eu

[ $# -eq 1 ] || { echo "usage: $0 CACHE" >&2; exit 2; }
mkdir -p "$1"
cd "$1"

for package in dataretrieval==1.4.0 hydrofunctions==0.2.4; do
    name=${package%%=*}
    [ -d "$name" ] && continue
    work=$(mktemp -d)
    "$LEADLINE_PYTHON" -m pip download --quiet --no-deps --no-binary :all: --dest "$work" "$package" || {
        rm -rf "$work"
        echo "$0: the source package $package could not be fetched; check the network" >&2
        exit 3
    }
    mkdir "$work/unpacked"
    tar -xzf "$work"/*.tar.gz -C "$work/unpacked" --strip-components 1
    mv "$work/unpacked" "$name"
    rm -rf "$work"
done
