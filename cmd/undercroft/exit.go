package main

import (
	"errors"
	"fmt"

	"undercroft/web"
)

// Exit codes, the same for every command. README.md lists them.
const (
	exitDone = iota
	exitInternal
	exitUsage
	exitRefused
	exitNotFound
	exitNotNow
	exitNotReached
	exitNotLetIn
	exitRunFailed
)

// exitMeans says of each exit code what it means.
var exitMeans = [...]string{
	exitDone:       "What was asked is done.",
	exitInternal:   "Something broke that should not.",
	exitUsage:      "The command line or a value in it is wrong.",
	exitRefused:    "A file was refused; its reasons were printed.",
	exitNotFound:   "There is no such printer, job or file.",
	exitNotNow:     "The state of things forbids it now.",
	exitNotReached: "The daemon, or a printer, does not answer.",
	exitNotLetIn:   "The daemon wants a credential, or does not take this one.",
	exitRunFailed:  "The file that send streamed was not executed to its end.",
}

// exitError is an error that knows its exit code. Said is set when everything
// about it was printed already.
type exitError struct {
	code     int
	text     string
	said     bool
	findings []web.Finding // of a refused file
	noDaemon bool          // nothing answered at the daemon's address
}

func (e *exitError) Error() string { return e.text }

func exitf(code int, format string, args ...any) error {
	return &exitError{code: code, text: fmt.Sprintf(format, args...)}
}

// exitCode is the code for what a command's Run returned.
func exitCode(err error) int {
	var e *exitError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &e):
		return e.code
	}
	return exitInternal
}

// alreadySaid tells whether err needs no further word.
func alreadySaid(err error) bool {
	var e *exitError
	return errors.As(err, &e) && e.said
}
