package analyze

import (
	"errors"

	"undercroft/gcode"
)

// findings keeps the first of each code and counts the rest. There are fewer
// than fifty codes, so a list does.
type findings struct{ list []Finding }

func (f *findings) get(code string) *Finding {
	for i := range f.list {
		if f.list[i].Code == code {
			return &f.list[i]
		}
	}
	return nil
}

// again counts another line with a finding and reports whether there was one.
func (f *findings) again(code string) bool {
	x := f.get(code)
	if x != nil {
		x.Count++
	}
	return x != nil
}

// find notes something about the current line. A later line with the same code
// only adds to the count.
func (a *analysis) find(code string, s Severity, column int, text string) {
	if a.found.again(code) {
		return
	}
	a.found.list = append(a.found.list, Finding{Code: code, Severity: s, Line: a.lines.Number(), Column: column,
		Excerpt: gcode.Excerpt(a.text, column), Text: text, Count: 1})
}

// findEach is find for codes that stand for several things: each text is noted.
func (a *analysis) findEach(code string, s Severity, column int, text string) {
	for i := range a.found.list {
		if f := &a.found.list[i]; f.Code == code && f.Text == text {
			f.Count++
			return
		}
	}
	if len(a.found.list) >= maxFindings {
		return
	}
	a.found.list = append(a.found.list, Finding{Code: code, Severity: s, Line: a.lines.Number(), Column: column,
		Excerpt: gcode.Excerpt(a.text, column), Text: text, Count: 1})
}

// maxFindings bounds what findEach adds.
const maxFindings = 100

// findWhole notes something about the whole file.
func (a *analysis) findWhole(code string, s Severity, text string) {
	if !a.found.again(code) {
		a.found.list = append(a.found.list, Finding{Code: code, Severity: s, Text: text, Count: 1})
	}
}

// malformed notes a line that cannot be understood or sent.
func (a *analysis) malformed(err error) {
	var e *gcode.SyntaxError
	if !errors.As(err, &e) {
		return
	}
	code := "not-understood"
	switch {
	case errors.Is(err, gcode.ErrTooLong), errors.Is(err, gcode.ErrLineNumber):
		code = "not-sendable"
	case errors.Is(err, gcode.ErrChecksum):
		code = "checksum"
	case errors.Is(err, gcode.ErrAmbiguous):
		code = "several-commands"
	default:
		a.bad++
		if a.firstBad == nil {
			e.Line = a.lines.Number()
			a.firstBad = e
		}
	}
	if a.found.again(code) {
		return
	}
	text := e.Err.Error()
	if e.Detail != "" {
		text += ": " + e.Detail
	}
	a.found.list = append(a.found.list, Finding{Code: code, Severity: Refuse, Line: a.lines.Number(), Column: e.Column,
		Excerpt: e.Excerpt(), Text: text, Count: 1})
}

// unknownCodes lists commands that the analysis knows nothing of.
type unknownCodes struct {
	names []string
	line  int64
	count int64
}

// maxUnknown bounds the list.
const maxUnknown = 24

func (u *unknownCodes) add(c *gcode.Command, line int64) {
	u.count++
	if u.line == 0 {
		u.line = line
	}
	if len(u.names) >= maxUnknown {
		return
	}
	name := c.Name()
	if len(name) > 40 {
		name = name[:40]
	}
	for _, n := range u.names {
		if n == name {
			return
		}
	}
	u.names = append(u.names, name)
}
