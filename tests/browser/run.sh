#!/usr/bin/env bash
# The map page in a real browser: the program serves the demo, headless Chromium clicks through it, once without WebGL
# and once with it. Prints "ok NAME", "not ok NAME: WHY" or "skip NAME: WHY" lines.
#
# Needs node, Chromium and playwright-core; tests/run installs them. Pictures are left in target/browser/pictures.
#
#   LEADLINE_PROGRAM      the program
#   LEADLINE_EXAMPLES     the folder of the built examples (without it the survey of a million soundings is left out)
#   LEADLINE_BROWSER      a folder with node_modules/playwright-core in it, and room for pictures
#   LEADLINE_CHROMIUM     the browser (default: chromium on the path)
#   LEADLINE_ONLY         only the checks whose name has this in it
#   LEADLINE_GUIDE        a folder: the pictures of docs/guide.md are written there
set -u
cd "$(dirname "$0")/../.." || exit 2
: "${LEADLINE_BROWSER:=$PWD/target/browser}"
: "${LEADLINE_PROGRAM:=${CARGO_TARGET_DIR:-$PWD/target}/debug/leadline}"
: "${LEADLINE_CHROMIUM:=$(command -v chromium || command -v chromium-browser)}"
export LEADLINE_BROWSER LEADLINE_PROGRAM LEADLINE_CHROMIUM
command -v node >/dev/null || { echo "skip browser: node is not there"; exit 0; }
[ -n "$LEADLINE_CHROMIUM" ] || { echo "skip browser: chromium is not there"; exit 0; }
[ -d "$LEADLINE_BROWSER/node_modules/playwright-core" ] || { echo "skip browser: playwright-core is not there"; exit 0; }
[ -x "$LEADLINE_PROGRAM" ] || { echo "not ok browser: the program is not built: $LEADLINE_PROGRAM"; exit 1; }
mkdir -p "$LEADLINE_BROWSER/pictures"
# With nothing but a loopback: neither the browser nor the program can reach anybody.
if [ "$(id -u)" -eq 0 ] && command -v unshare >/dev/null && command -v ip >/dev/null && unshare --net true 2>/dev/null; then
    exec unshare --net sh -c 'ip link set lo up && exec node tests/browser/suite.mjs'
fi
exec node tests/browser/suite.mjs
