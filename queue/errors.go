package queue

import (
	"errors"
	"strings"
)

// Kinds of errors that cross the rooms; everything else is internal. Wrap them
// with what happened, where, and what to do: web maps kinds to HTTP status,
// commands map them to exit codes.
var (
	ErrNotFound    = errors.New("not found")
	ErrInvalid     = errors.New("not valid")         // the request itself is wrong
	ErrConflict    = errors.New("not possible now")  // the state of things forbids it
	ErrRefused     = errors.New("refused")           // a file that cannot be taken
	ErrUnavailable = errors.New("cannot be reached") // a printer or the store does not answer
)

// Words is the error's text for a person, without the kind at its end.
func Words(err error) string {
	text := err.Error()
	for _, kind := range []error{ErrNotFound, ErrInvalid, ErrConflict, ErrRefused, ErrUnavailable} {
		text = strings.TrimSuffix(text, ": "+kind.Error())
	}
	return text
}
