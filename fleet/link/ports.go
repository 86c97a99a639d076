package link

import "errors"

// What is wrong with a port that cannot be opened. OpenPort wraps one of these
// where it can tell.
var (
	// ErrPortMissing: nothing bears that name: switched off, unplugged, or a name
	// that has changed.
	ErrPortMissing = errors.New("the port does not exist")
	// ErrPortBusy: another program has it.
	ErrPortBusy = errors.New("the port is in use by another program")
	// ErrPortDenied: this user may not open it.
	ErrPortDenied = errors.New("this user may not open the port")
	// ErrNotSerial: there is something of that name, but no serial port.
	ErrNotSerial = errors.New("that is no serial port")
	// ErrRate: the port does not run at that rate.
	ErrRate = errors.New("the port does not run at this rate")
	// ErrPortMany: the name fits more than one port.
	ErrPortMany = errors.New("the name fits more than one port")
)
