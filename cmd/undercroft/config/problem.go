package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"unicode/utf8"
)

// Problem is one thing that is wrong, and where.
type Problem struct {
	Path    string
	Line    int // counts from 1; 0 when it concerns the whole file
	Column  int // in characters, from 1
	Text    string
	Excerpt string // the line with the place marked, two lines of text
}

// Error gives the place, the words and the excerpt: the first line is the usual
// file:line:column form.
func (p Problem) Error() string {
	if p.Line == 0 {
		return fmt.Sprintf("%s: %s", p.Path, p.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s\n%s", p.Path, p.Line, p.Column, p.Text, p.Excerpt)
}

// Invalid is the error for a file with problems; it has all of them, in the
// file's order.
type Invalid struct {
	Path     string
	Problems []Problem
}

func (e *Invalid) Error() string {
	var b strings.Builder
	for i, p := range e.Problems {
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString(p.Error())
	}
	return b.String()
}

// Unreadable is the error for a file that could not be read at all.
type Unreadable struct {
	Path string
	Err  error
}

var errNotAFile = errors.New("not an ordinary file of at most 1 MB")

func (e *Unreadable) Error() string {
	if errors.Is(e.Err, fs.ErrNotExist) {
		return fmt.Sprintf("there is no configuration at %s; 'undercroft serve --example' prints one to start from", e.Path)
	}
	return fmt.Sprintf("the configuration %s cannot be read: %v", e.Path, e.Err)
}

func (e *Unreadable) Unwrap() error { return e.Err }

// found is a problem with its place in bytes.
type found struct {
	at, length int
	text       string
	warning    bool
}

// maxProblems bounds what is said about one file; a person mends these first.
const maxProblems = 40

// full reports whether enough was found.
func (r *reader) full() bool { return len(r.found) >= maxProblems }

func (r *reader) problem(at, length int, format string, args ...any) {
	if r.full() {
		return
	}
	r.found = append(r.found, found{at: at, length: length, text: fmt.Sprintf(format, args...)})
}

func (r *reader) warn(at, length int, format string, args ...any) {
	if r.full() {
		return
	}
	r.found = append(r.found, found{at: at, length: length, text: fmt.Sprintf(format, args...), warning: true})
}

func (r *reader) invalid() error {
	if list := r.list(false); len(list) > 0 {
		return &Invalid{Path: r.path, Problems: list}
	}
	return nil
}

func (r *reader) warnings() []Problem { return r.list(true) }

func (r *reader) list(warnings bool) []Problem {
	slices.SortStableFunc(r.found, func(a, b found) int { return a.at - b.at })
	var out []Problem
	for _, f := range r.found {
		if f.warning == warnings {
			out = append(out, place(r.path, r.data, f))
		}
	}
	return out
}

// place turns a byte offset into line, column and a drawn excerpt.
func place(path string, data []byte, f found) Problem {
	p := Problem{Path: path, Text: f.text}
	if f.at < 0 {
		return p
	}
	at := min(f.at, len(data))
	from := bytes.LastIndexByte(data[:at], '\n') + 1
	to := len(data)
	if n := bytes.IndexByte(data[from:], '\n'); n >= 0 {
		to = from + n
	}
	p.Line = bytes.Count(data[:from], []byte("\n")) + 1
	before := string(data[from:at])
	p.Column = utf8.RuneCountInString(before) + 1
	// Of a very long line only what is round the place is shown.
	const most = 160
	cut := ""
	if at-from > most {
		before = strings.ToValidUTF8(before[len(before)-most/2:], "")
		cut = "… "
		from = at - len(before)
	}
	line := strings.TrimRight(string(data[from:to]), "\r")
	marked := string(data[at:max(at, min(at+f.length, from+len(line), at+most))])
	if len(line) > 2*most {
		line = strings.ToValidUTF8(line[:2*most], "") + " …"
	}
	line, before = cut+line, cut+before
	// Tabs stay tabs below the line, so that the mark stands where it should.
	pad := strings.Map(func(c rune) rune {
		if c == '\t' {
			return c
		}
		return ' '
	}, before)
	number := fmt.Sprintf("%5d | ", p.Line)
	p.Excerpt = number + line + "\n      | " + pad + strings.Repeat("^", max(1, utf8.RuneCountInString(marked)))
	return p
}
