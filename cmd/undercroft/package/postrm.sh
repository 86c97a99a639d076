#!/bin/sh
set -e
[ ! -d /run/systemd/system ] || systemctl daemon-reload || true
case "$1" in
remove | purge)
	if [ -d /var/lib/undercroft ]; then
		echo "undercroft: the data stay in /var/lib/undercroft and the configuration in /etc/undercroft; remove them by hand if they are not wanted."
	fi
	;;
esac
