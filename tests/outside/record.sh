#!/usr/bin/env bash
# Real logs (fetched, never committed) sent through UDP to `leadline record`, line by line, and the same logs imported
# as files: the legs are the same. Prints "ok NAME", "not ok NAME: WHY" or "skip NAME: WHY" lines.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
sh tests/outside/fetch_logs.sh "$LEADLINE_CACHE/logs" >&2
case $? in
0) "$LEADLINE_PYTHON" tests/outside/record.py "$LEADLINE_PROGRAM" "$LEADLINE_CACHE/logs" ;;
3) echo "skip record-real-logs: the logs could not be fetched" ;;
*) echo "not ok record-real-logs: fetching the logs failed" ;;
esac
