#!/usr/bin/env bash
# Builds the Debian packages for amd64, arm64 and armhf into the folder named
# (left out: dist beside the caller): bash cmd/undercroft/package/build.sh [DIR]
set -euo pipefail
OUT=$(realpath -m "${1:-dist}")
HERE=$(cd "$(dirname "$0")" && pwd)
ROOT=$(cd "$HERE/../../.." && pwd)
NFPM=github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.43.1
LIMIT=$((25 * 1000 * 1000)) # bytes of the program

cd "$ROOT"
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
VERSION=${VERSION:-0.1.0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d).$(git rev-parse --short=8 HEAD)}
MTIME=$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y-%m-%dT%H:%M:%SZ)
mkdir -p "$OUT"
STAGE=$(mktemp -d)
trap 'rm -rf "$STAGE"' EXIT
export SOURCE_DATE_EPOCH

build() { CGO_ENABLED=0 go build -trimpath -ldflags='-s -w' -o "$1" ./cmd/undercroft; }

# The pages are the same for all and need a program that runs here.
build "$STAGE/here"
"$STAGE/here" manual undercroft | gzip -9n >"$STAGE/undercroft.1.gz"
"$STAGE/here" manual undercroft.toml | gzip -9n >"$STAGE/undercroft.toml.5.gz"
"$STAGE/here" serve --example | sed 's|^data = "[^"]*" *|data = "/var/lib/undercroft"       |' >"$STAGE/undercroft.toml"
{
	printf 'Undercroft is under the Apache License 2.0. Libraries compiled in, each under its own licence:\n\n'
	go version -m "$STAGE/here" | awk '$1 == "dep" { print $2, $3 }'
	printf '\n'
	cat LICENSE
} >"$STAGE/copyright"

for ARCH in amd64 arm64 armhf; do
	case $ARCH in
	armhf) GOARCH=arm GOARM=7 build "$STAGE/undercroft" ;;
	*) GOARCH=$ARCH build "$STAGE/undercroft" ;;
	esac
	size=$(stat -c %s "$STAGE/undercroft")
	if [ "$size" -gt $LIMIT ]; then
		echo "the program for $ARCH has $size bytes, more than $LIMIT" >&2
		exit 1
	fi
	sed "s|@ARCH@|$ARCH|; s|@VERSION@|$VERSION|; s|@MTIME@|$MTIME|; s|@STAGE@|$STAGE|; s|@HERE@|$HERE|" "$HERE/nfpm.yaml" >"$STAGE/nfpm.yaml"
	go run $NFPM package --config "$STAGE/nfpm.yaml" --packager deb --target "$OUT/undercroft_${VERSION}_$ARCH.deb" >/dev/null
	printf '%s: program %s bytes, package %s bytes\n' "undercroft_${VERSION}_$ARCH.deb" "$size" "$(stat -c %s "$OUT/undercroft_${VERSION}_$ARCH.deb")"
done
