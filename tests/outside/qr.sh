#!/usr/bin/env bash
# `crew invite --qr` read back by zxing-cpp, an independent decoder.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
export LEADLINE_PROGRAM
"$LEADLINE_PYTHON" tests/outside/qr.py || echo "not ok qr: qr.py failed"
