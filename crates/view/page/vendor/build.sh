#!/usr/bin/env bash
# Makes ol.js beside this script: the part of OpenLayers that entry.js names, as one classic script with the global
# `ol`. Needs node and npm; the packages go into a folder that is thrown away. Run it after a change of entry.js or of
# a version below, and commit the result.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
ol=10.11.0
esbuild=0.28.2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
npm init --yes >/dev/null
npm install --silent --no-save --ignore-scripts "ol@$ol" "esbuild@$esbuild"
cp "$here/entry.js" entry.js
node node_modules/esbuild/bin/esbuild entry.js --bundle --minify --format=iife --global-name=ol --target=es2020 \
    --legal-comments=none --charset=utf8 --log-level=warning --banner:js="/*! OpenLayers $ol, BSD-2-Clause, see LICENSE-ol.md */" \
    --outfile="$here/ol.js"
cp node_modules/ol/LICENSE.md "$here/LICENSE-ol.md"
cp node_modules/rbush/LICENSE "$here/LICENSE-rbush" 
cp node_modules/quickselect/LICENSE "$here/LICENSE-quickselect" 2>/dev/null || true
wc -c "$here/ol.js"
