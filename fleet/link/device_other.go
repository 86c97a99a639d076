//go:build !linux

package link

import (
	"fmt"
	"strings"
)

// DevicePath returns paths as they are: ports are found by the serial number of
// their adapter on Linux only.
func DevicePath(path string) (string, error) {
	if strings.HasPrefix(path, "usb:") {
		return "", fmt.Errorf("%s: %w: ports are found by their USB serial number on Linux only; give the path of the device", path, ErrPortMissing)
	}
	return path, nil
}

// keepDTR does nothing here: each opening may reset the board.
func keepDTR(string) (release func()) { return func() {} }
