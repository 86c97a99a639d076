#!/bin/sh
set -e
# Only when it is taken off; an upgrade lets the running daemon be.
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
	systemctl disable --now undercroft || true
fi
