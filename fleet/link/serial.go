package link

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"go.bug.st/serial"
)

// OpenPort opens a link path:
//
//	/dev/serial/by-id/…     a serial device, at any rate
//	usb:SERIAL              the serial device of the USB adapter with that serial number
//	tcp://host:port         a raw serial-to-network server, which sets the rate itself
//	rfc2217://host:port     a telnet server with a serial port behind it (RFC 2217)
//
// An error wraps one of the kinds in ports.go where it can be told. The first
// opening of a serial device raises DTR, which resets many boards; the system
// does so before a program can forbid it. On Linux DTR stays up when the port is
// closed again, so that opening it once more, by a daemon that was restarted,
// makes no edge and resets nothing; until the cable or the power is pulled.
// Elsewhere each opening may reset the board.
func OpenPort(path string, baud int) (Port, error) {
	if rest, ok := strings.CutPrefix(path, "tcp://"); ok {
		return dialRaw(rest)
	}
	if baud <= 0 {
		return nil, fmt.Errorf("open %s: %w: %d baud", path, ErrRate, baud)
	}
	if rest, ok := strings.CutPrefix(path, "rfc2217://"); ok {
		return dialRFC2217(rest, baud)
	}
	device, err := DevicePath(path)
	if err != nil {
		return nil, err
	}
	release := keepDTR(device)
	defer release()
	p, err := serial.Open(device, &serial.Mode{BaudRate: baud})
	if err != nil {
		return nil, fmt.Errorf("open %s at %d baud: %w", path, baud, portKind(err))
	}
	return p, nil
}

// portKind names what is wrong with a port.
func portKind(err error) error {
	kind := error(nil)
	var said *serial.PortError
	if errors.As(err, &said) {
		switch said.Code() {
		case serial.PortBusy:
			kind = ErrPortBusy
		case serial.PortNotFound:
			kind = ErrPortMissing
		case serial.PermissionDenied:
			kind = ErrPortDenied
		case serial.InvalidSpeed:
			kind = ErrRate
		case serial.InvalidSerialPort:
			kind = ErrNotSerial
		}
	}
	switch {
	case kind != nil && kind != ErrNotSerial:
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.ENODEV):
		kind = ErrPortMissing
	case errors.Is(err, fs.ErrPermission):
		kind = ErrPortDenied
	case errors.Is(err, syscall.EBUSY):
		kind = ErrPortBusy
	}
	if kind == nil {
		return err
	}
	return fmt.Errorf("%w (%w)", kind, err)
}
