#!/usr/bin/env bash
# Sound speeds against seawater and gsw; gauge files against pandas, on real series that packages carry (fetched,
# never committed).
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
gauges=$LEADLINE_CACHE/gauges
export LEADLINE_CACHE LEADLINE_EXAMPLES

"$LEADLINE_PYTHON" tests/outside/water.py sound || echo "not ok water-sound: water.py failed"

sh tests/outside/fetch_gauges.sh "$gauges"
case $? in
0) "$LEADLINE_PYTHON" tests/outside/water.py gauges "$gauges" || echo "not ok water-gauges: water.py failed" ;;
3) echo "skip water-gauges: the network to fetch real series is missing" ;;
*) echo "not ok water-gauges: fetch_gauges.sh failed" ;;
esac
