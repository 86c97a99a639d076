#!/bin/sh
set -e
[ "$1" = configure ] || exit 0
systemd-sysusers undercroft.conf
install -d -m 0750 -o root -g undercroft /etc/undercroft
install -d -m 0750 -o undercroft -g undercroft /var/lib/undercroft
if [ -d /run/systemd/system ]; then
	systemctl daemon-reload
	udevadm control --reload || true
	udevadm trigger --subsystem-match=tty --subsystem-match=usb-serial --action=add || true
	# An upgrade while a printer prints would end its print: it is the owner who
	# says when.
	if systemctl -q is-active undercroft; then
		echo "undercroft: the old version still runs. When no printer prints: systemctl restart undercroft"
	fi
fi
if [ ! -e /etc/undercroft/undercroft.toml ]; then
	cat <<'TEXT'
undercroft: what to do next
  1. undercroft ports                       which port is which printer
  2. cp /usr/share/doc/undercroft/undercroft.toml /etc/undercroft/
     and change it to your printers         (man undercroft.toml)
  3. undercroft doctor                      what is still missing
  4. systemctl enable --now undercroft
Undercroft is not a safety device: firmware protection on, a smoke alarm near,
the plug within reach.
TEXT
fi
