#!/bin/sh
# Fetches four real instrument logs into CACHE as lake.nmea, river.nmea, moored.nmea and bus.can.
#
#   tests/outside/fetch_logs.sh CACHE
#
# They are regression logs inside Debian's source package of gpsd (BSD-2-Clause). They are chosen by their
# SHA-256, so neither the package's version nor the names inside matter. Nothing of them is kept in this
# repository. Nothing under /etc is touched: apt reads a private copy of this machine's own source lists.
set -eu

PACKAGE=gpsd
# name:sha256 of each log.
LOGS="
lake.nmea:469916839df6ff2cba425a74712e872228512a928f6903b396266c59712297d1
river.nmea:013cf6dfc17066937f36c8fa614b69e64b8041ebbb703760ab47bcfdc830c26e
moored.nmea:2d06e5fd860e65a9c103bd63314187515ea3d47ce3fce1e01407ba8524144cf5
bus.can:0f1ed23ec6f39abea9faa40e8390d961e8af8266e04f7558c780c7ffaa5b5555
"

[ $# -eq 1 ] || { echo "usage: $0 CACHE" >&2; exit 2; }
mkdir -p "$1"
cache=$(cd "$1" && pwd)

complete() {
    for log in $LOGS; do
        echo "${log#*:}  $cache/${log%%:*}" | sha256sum --check --status 2>/dev/null || return 1
    done
}

complete && { echo "logs are there: $cache"; exit 0; }

for tool in apt-get tar sha256sum xz; do
    command -v "$tool" >/dev/null || { echo "$0: needs $tool to fetch the real logs" >&2; exit 3; }
done

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT INT TERM
mkdir -p "$work/parts" "$work/lists/partial" "$work/cache/archives/partial" "$work/package"

# The machine's own binary sources, read as source-package sources.
for list in /etc/apt/sources.list /etc/apt/sources.list.d/*.list; do
    [ -f "$list" ] && sed -n 's/^deb[[:space:]]/deb-src /p' "$list" >>"$work/parts/own.list"
done
for list in /etc/apt/sources.list.d/*.sources; do
    [ -f "$list" ] && sed 's/^Types:.*/Types: deb-src/' "$list" >"$work/parts/$(basename "$list")"
done

apt() {
    apt-get -qq -o Dir::Etc::SourceList=/dev/null -o Dir::Etc::SourceParts="$work/parts" \
        -o Dir::State::Lists="$work/lists" -o Dir::Cache="$work/cache" -o APT::Sandbox::User=root "$@"
}
apt update || echo "$0: some source lists could not be read; going on" >&2
(cd "$work/package" && apt source --download-only "$PACKAGE") || {
    echo "$0: the source package $PACKAGE could not be fetched; check the network and the apt sources" >&2
    exit 3
}

for tarball in "$work"/package/*.orig.tar.*; do
    tar -xf "$tarball" -C "$work" --wildcards '*/test/*'
done
find "$work" -path '*/test/*' -type f -exec sha256sum {} + >"$work/sums"
for log in $LOGS; do
    found=$(sed -n "s/^${log#*:}  //p" "$work/sums" | head -n 1)
    [ -n "$found" ] || { echo "$0: no file in $PACKAGE has the SHA-256 of ${log%%:*}: it may have changed upstream" >&2; exit 3; }
    cp "$found" "$cache/${log%%:*}.tmp"
    mv "$cache/${log%%:*}.tmp" "$cache/${log%%:*}"
done
complete
echo "logs fetched: $cache"
