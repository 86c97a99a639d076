package reprint

import (
	"bytes"
	"slices"
	"strconv"
	"strings"

	"undercroft/gcode"
)

// sections follows which piece of a plate of several is being printed, by what
// the file says of it: M486 S with a number, comments that name an object, or
// named commands of which one begins an object and another ends it.
type sections struct {
	want    []string // lower case
	now     string   // empty: between pieces
	seen    []string
	matched []string
	due     bool // the next move that lays material is wanted again
}

// maxSections bounds the names that are told to a person.
const maxSections = 200

func newSections(want []string) *sections {
	s := &sections{}
	for _, w := range want {
		s.want = append(s.want, strings.ToLower(strings.TrimSpace(w)))
	}
	return s
}

// wanted reports whether the piece that is printed now is one of those asked for.
func (s *sections) wanted() bool { return slices.Contains(s.want, s.now) }

// enter notes a change and reports whether there was one.
func (s *sections) enter(name string) bool {
	name = strings.ToLower(name)
	if name != "" && len(s.seen) < maxSections && !slices.Contains(s.seen, name) {
		s.seen = append(s.seen, name)
	}
	changed := name != s.now
	s.now = name
	if s.wanted() && !slices.Contains(s.matched, name) {
		s.matched = append(s.matched, name)
	}
	return changed
}

// mark takes a command in.
func (s *sections) mark(c *gcode.Command) bool {
	switch {
	case c.Is('M', 486):
		n, ok := c.Get('S')
		if !ok {
			return false
		}
		if n < 0 {
			return s.enter("")
		}
		return s.enter(strconv.Itoa(int(n)))
	case c.Letter == '_':
		words := strings.Fields(string(c.Text))
		verb := strings.ToLower(words[0])
		if !strings.Contains(verb, "object") {
			return false
		}
		if strings.Contains(verb, "end") || strings.Contains(verb, "stop") {
			return s.enter("")
		}
		if !strings.Contains(verb, "start") && !strings.Contains(verb, "begin") {
			return false
		}
		for _, w := range words[1:] {
			if k, v, ok := strings.Cut(w, "="); ok && strings.EqualFold(k, "name") {
				return s.enter(strings.Trim(v, `"'`))
			}
		}
	}
	return false
}

// comment takes a line without commands in: what stands behind the word 'object'
// or 'mesh' is a piece's name, unless a word before it says that it ends.
func (s *sections) comment(line []byte) bool {
	name, ends, ok := objectOf(line)
	if !ok {
		return false
	}
	if ends {
		name = ""
	}
	return s.enter(name)
}

func objectOf(line []byte) (name string, ends, ok bool) {
	line = bytes.TrimLeft(line, " \t;(")
	if len(line) > 300 {
		return "", false, false
	}
	words := strings.FieldsFunc(string(line), func(r rune) bool { return r == ' ' || r == '\t' || r == ':' || r == '=' })
	for i, w := range words[:min(len(words), 3)] {
		switch strings.ToLower(w) {
		case "stop", "end", "ends", "stopped":
			ends = true
		case "object", "mesh":
			if i+1 >= len(words) {
				return "", ends, ends
			}
			return strings.Trim(words[i+1], `"')`), ends, true
		}
	}
	return "", false, false
}

// missing says which pieces the file does not name above the cut.
func (s *sections) missing() error {
	for _, w := range s.want {
		if slices.Contains(s.matched, w) {
			continue
		}
		if len(s.seen) == 0 {
			return unfit("piece %q is asked for, and the file does not say which lines belong to which piece", w)
		}
		return unfit("the file names no piece %q; it names %s", w, strings.Join(s.seen, ", "))
	}
	return nil
}
