#!/usr/bin/env bash
# The map as pixels, read by rasterio (GDAL), GDAL's own check of cloud-optimised TIFFs, Pillow and the pmtiles package.
set -u
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
"$LEADLINE_PYTHON" tests/outside/raster.py "$LEADLINE_PROGRAM" "$out" || exit 1
# python3-gdal of the distribution has the check; it is no package of the registry.
system=/usr/bin/python3
if ! "$system" -c 'import osgeo_utils.samples.validate_cloud_optimized_geotiff' 2>/dev/null; then
    echo "skip raster-cog: python3-gdal is not there"
    exit 0
fi
for file in "$out"/*.tif; do
    name=raster-cog-$(basename "$file" .tif)
    if said=$("$system" -m osgeo_utils.samples.validate_cloud_optimized_geotiff "$file" 2>&1); then
        echo "ok $name"
    else
        echo "not ok $name: $(tr '\n' ' ' <<<"$said")"
    fi
done
