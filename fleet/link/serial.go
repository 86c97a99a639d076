package link

import (
	"fmt"
	"strings"

	"go.bug.st/serial"
)

// OpenPort opens a link path: a serial device at any rate, or tcp://host:port
// for a raw serial-to-network server. Opening a serial device raises DTR, which
// resets many boards; the system does so before a program can forbid it.
func OpenPort(path string, baud int) (Port, error) {
	if rest, ok := strings.CutPrefix(path, "tcp://"); ok {
		return dialRaw(rest)
	}
	if baud <= 0 {
		return nil, fmt.Errorf("open %s: the baud rate %d is not a rate", path, baud)
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: baud})
	if err != nil {
		return nil, fmt.Errorf("open %s at %d baud: %w", path, baud, err)
	}
	return p, nil
}
