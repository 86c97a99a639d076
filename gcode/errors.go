package gcode

import (
	"errors"
	"fmt"
)

// What can be wrong with a line. A *SyntaxError wraps one of them.
var (
	ErrNumber     = errors.New("not a number")
	ErrChecksum   = errors.New("the checksum does not match the line")
	ErrCharacter  = errors.New("no G-code word starts like this")
	ErrTwice      = errors.New("the same letter stands twice in one command")
	ErrAmbiguous  = errors.New("several commands in one line can be read in more than one way")
	ErrNoCommand  = errors.New("parameters without a command")
	ErrTooLong    = errors.New("the line is too long to be sent")
	ErrLineNumber = errors.New("the text M110 would reset the printer's line numbers")
)

// SyntaxError says where a file cannot be understood or sent.
type SyntaxError struct {
	Line   int64 // 1-based
	Column int   // 1-based, in bytes
	Text   string
	Err    error // one of the sentinels of this package
	Detail string
}

func (e *SyntaxError) Error() string {
	s := e.Err.Error()
	if e.Detail != "" {
		s += ": " + e.Detail
	}
	if e.Line == 0 {
		return s
	}
	return fmt.Sprintf("line %d, column %d: %s\n%s", e.Line, e.Column, s, e.Excerpt())
}

func (e *SyntaxError) Unwrap() error { return e.Err }

// Excerpt shows the line with the place marked under it.
func (e *SyntaxError) Excerpt() string { return Excerpt([]byte(e.Text), e.Column) }

const excerptBytes = 60

// Excerpt shows a line, cut to a readable length around the 1-based byte column,
// and marks that column in a second line. Column 0 leaves the mark out. Bytes
// that do not print are shown as dots.
func Excerpt(line []byte, column int) string {
	from := 0
	if column > excerptBytes*3/4 {
		from = column - excerptBytes/2
	}
	from = min(from, len(line))
	to := min(len(line), from+excerptBytes)
	out := make([]byte, 0, 2*excerptBytes+8)
	if from > 0 {
		out = append(out, "... "...)
	}
	lead := len(out)
	for _, b := range line[from:to] {
		if b == '\t' {
			b = ' '
		}
		if b < ' ' || b > '~' {
			b = '.'
		}
		out = append(out, b)
	}
	if to < len(line) {
		out = append(out, " ..."...)
	}
	if column <= 0 {
		return string(out)
	}
	out = append(out, '\n')
	for range lead + column - 1 - from {
		out = append(out, ' ')
	}
	return string(append(out, '^'))
}
