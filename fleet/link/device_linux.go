package link

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// sysTTY is where the kernel lists its terminals; tests have one of their own.
var sysTTY = "/sys/class/tty"

// DevicePath turns usb:SERIAL, the serial number of a USB adapter, into the path
// of the device that bears it now, whatever name it came back under. Other paths
// are returned as they are.
func DevicePath(path string) (string, error) {
	serial, ok := strings.CutPrefix(path, "usb:")
	if !ok {
		return path, nil
	}
	entries, err := os.ReadDir(sysTTY)
	if err != nil {
		return "", fmt.Errorf("%s: %w (%w)", path, ErrPortMissing, err)
	}
	var found, others []string
	for _, e := range entries {
		switch s := usbSerial(filepath.Join(sysTTY, e.Name(), "device")); {
		case s == "":
		case s == serial:
			found = append(found, "/dev/"+e.Name())
		case len(others) < 8:
			others = append(others, s)
		}
	}
	switch len(found) {
	case 0:
		here := "no USB adapter with a serial number is plugged in"
		if len(others) > 0 {
			slices.Sort(others)
			here = "plugged in are " + strings.Join(slices.Compact(others), ", ")
		}
		return "", fmt.Errorf("%s: %w: %s", path, ErrPortMissing, here)
	case 1:
		return found[0], nil
	}
	return "", fmt.Errorf("%s: %w: %s; give one of the paths in /dev/serial/by-path instead", path, ErrPortMany, strings.Join(found, ", "))
}

// usbSerial is the serial number of the USB device above a terminal's device,
// "" where there is none.
func usbSerial(device string) string {
	dir, err := filepath.EvalSymlinks(device)
	if err != nil {
		return ""
	}
	for range 5 { // terminal, port, interface, device
		if b, err := os.ReadFile(filepath.Join(dir, "serial")); err == nil {
			return string(bytes.TrimSpace(b))
		}
		dir = filepath.Dir(dir)
	}
	return ""
}

// keepDTR has the system leave DTR up when the port is closed (HUPCL off). The
// port must stay open until somebody else has opened it, which release waits
// for: a closing in between would still drop it.
func keepDTR(device string) (release func()) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return func() {} // whoever opens it next says why
	}
	if t, err := unix.IoctlGetTermios(fd, unix.TCGETS); err == nil && t.Cflag&unix.HUPCL != 0 {
		t.Cflag &^= unix.HUPCL
		// A port that does not take it is opened all the same.
		_ = unix.IoctlSetTermios(fd, unix.TCSETS, t)
	}
	return func() { unix.Close(fd) }
}
