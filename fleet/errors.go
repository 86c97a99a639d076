package fleet

import "errors"

// Kinds of errors that a printer's methods return. Each is wrapped with the
// printer's name, what is the matter and what would help.
var (
	ErrNotNow  = errors.New("not possible now")        // the printer's phase forbids it
	ErrLent    = errors.New("lent")                    // somebody else drives the machine
	ErrNoLink  = errors.New("cannot be reached")       // there is no link to the printer
	ErrInvalid = errors.New("not valid")               // the request itself is wrong
	ErrClosed  = errors.New("the fleet has shut down") // Run has returned or is about to
)
