package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
)

// Limits of a stand-alone problem.
const (
	maxJobs     = 20_000
	maxPrinters = 1_000
	maxPairs    = 4_000_000 // jobs × printers
	maxWindows  = 100_000
	maxFile     = 256 << 20
)

// ReadError is what is wrong with a problem's file.
type ReadError struct {
	Line   int // from 1
	Reason string
}

func (e *ReadError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Reason) }

// ReadProblem reads a problem as JSON. A wrong one gives a *ReadError. Keys that
// the format does not have are passed over and named in notes.
func ReadProblem(r io.Reader) (p *Problem, notes []string, err error) {
	data, err := io.ReadAll(io.LimitReader(r, maxFile+1))
	if err != nil {
		return nil, nil, err
	}
	if len(data) > maxFile {
		return nil, nil, &ReadError{1, fmt.Sprintf("the file is larger than %d MB", maxFile>>20)}
	}
	pr := &problemReader{data: data, dec: json.NewDecoder(bytes.NewReader(data)), p: &Problem{}}
	if err := pr.all(); err != nil {
		return nil, nil, err
	}
	return pr.p, pr.notes, nil
}

type problemReader struct {
	data  []byte
	dec   *json.Decoder
	p     *Problem
	notes []string
	at    int64 // where the value that is read begins
	names map[string]bool
	ids   map[string]bool
}

// fail is an error at the value that is read, or at an offset in it.
func (r *problemReader) fail(format string, args ...any) error {
	return r.failAt(r.at, format, args...)
}

func (r *problemReader) failAt(at int64, format string, args ...any) error {
	at = min(at, int64(len(r.data)))
	return &ReadError{1 + bytes.Count(r.data[:at], []byte("\n")), fmt.Sprintf(format, args...)}
}

// mark notes where the next value begins.
func (r *problemReader) mark() {
	at := r.dec.InputOffset()
	for at < int64(len(r.data)) && strings.IndexByte(" \t\r\n,:", r.data[at]) >= 0 {
		at++
	}
	r.at = at
}

// syntax puts the decoder's errors into words.
func (r *problemReader) syntax(err error, what string) error {
	var s *json.SyntaxError
	var t *json.UnmarshalTypeError
	switch {
	case errors.As(err, &s):
		return r.failAt(max(s.Offset-1, 0), "not JSON: %s", strings.TrimPrefix(s.Error(), "json: "))
	case errors.As(err, &t):
		field := ""
		if t.Field != "" {
			field = " at " + t.Field
		}
		return r.failAt(max(t.Offset-1, 0), "%s%s: a %s stands where another kind of value belongs", what, field, t.Value)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return r.failAt(int64(len(r.data)), "not JSON: the file ends in the middle")
	}
	return r.fail("%s: %v", what, err)
}

func (r *problemReader) all() error {
	r.mark()
	tok, err := r.dec.Token()
	if err == io.EOF {
		return r.fail("the file is empty")
	}
	if err != nil {
		return r.syntax(err, "the problem")
	}
	if tok != json.Delim('{') {
		return r.fail("a problem is one JSON object: {\"home\": …, \"printers\": …, \"jobs\": …}")
	}
	seen := map[string]bool{}
	for r.dec.More() {
		r.mark()
		tok, err := r.dec.Token()
		if err != nil {
			return r.syntax(err, "the problem")
		}
		key := tok.(string)
		if seen[key] {
			return r.fail("%s stands here for the second time", key)
		}
		seen[key] = true
		if err := r.key(key); err != nil {
			return err
		}
	}
	if _, err := r.dec.Token(); err != nil {
		return r.syntax(err, "the problem")
	}
	r.mark()
	if _, err := r.dec.Token(); err != io.EOF {
		return r.fail("something follows the problem")
	}
	for _, key := range []string{"printers", "jobs"} {
		if !seen[key] {
			r.at = 0
			return r.fail("%s is missing; an empty list is written []", key)
		}
	}
	if len(r.p.Jobs)*len(r.p.Printers) > maxPairs {
		return r.fail("%d jobs on %d printers are more than %d pairs", len(r.p.Jobs), len(r.p.Printers), maxPairs)
	}
	return nil
}

func (r *problemReader) key(key string) error {
	switch key {
	case "home":
		var w [][]float64
		r.mark()
		if err := r.dec.Decode(&w); err != nil {
			return r.syntax(err, key)
		}
		var err error
		r.p.Home, err = r.windows(w, "home")
		return err
	case "people":
		return r.list(key, r.person)
	case "printers":
		r.names = map[string]bool{}
		return r.list(key, r.printer)
	case "jobs":
		r.ids = map[string]bool{}
		return r.list(key, r.job)
	case "start_cap":
		var c *struct {
			SlotMin *float64 `json:"slot_min"`
			Starts  *float64 `json:"starts"`
		}
		r.mark()
		if err := r.dec.Decode(&c); err != nil {
			return r.syntax(err, key)
		}
		if c == nil {
			return nil
		}
		if c.SlotMin == nil || c.Starts == nil {
			return r.fail("start_cap needs slot_min and starts")
		}
		slot, err := r.whole(*c.SlotMin, 1, maxMinute, "slot_min")
		if err != nil {
			return err
		}
		starts, err := r.whole(*c.Starts, 0, maxMinute, "starts")
		r.p.StartCap = &StartCap{slot, starts}
		return err
	}
	var skip json.RawMessage
	r.note("the key %s is not part of the format and was passed over", key)
	if err := r.dec.Decode(&skip); err != nil {
		return r.syntax(err, key)
	}
	return nil
}

func (r *problemReader) note(format string, args ...any) {
	if n := fmt.Sprintf(format, args...); len(r.notes) < 20 && !slices.Contains(r.notes, n) {
		r.notes = append(r.notes, n)
	}
}

// list reads the elements of an array one by one, so that each has its line.
func (r *problemReader) list(key string, one func(raw json.RawMessage) error) error {
	r.mark()
	tok, err := r.dec.Token()
	if err != nil {
		return r.syntax(err, key)
	}
	if tok == nil {
		return nil
	}
	if tok != json.Delim('[') {
		return r.fail("%s is a list: [ … ]", key)
	}
	for r.dec.More() {
		r.mark()
		var raw json.RawMessage
		if err := r.dec.Decode(&raw); err != nil {
			return r.syntax(err, key)
		}
		if err := one(raw); err != nil {
			return err
		}
	}
	if _, err := r.dec.Token(); err != nil {
		return r.syntax(err, key)
	}
	return nil
}

// into decodes one element; keys that it does not have are noted.
func (r *problemReader) into(raw json.RawMessage, what string, v any) error {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err != nil && strings.Contains(err.Error(), "unknown field") {
		r.note("%s: the key %s is not part of the format and was passed over", what, err.Error()[strings.Index(err.Error(), `"`):])
		err = json.Unmarshal(raw, v)
	}
	var t *json.UnmarshalTypeError
	if errors.As(err, &t) {
		t.Offset += r.at
	}
	if err != nil {
		return r.syntax(err, what)
	}
	return nil
}

func (r *problemReader) whole(v float64, least, most int, what string) (int, error) {
	if v != math.Trunc(v) {
		return 0, r.fail("%s is %g; it is counted in whole numbers", what, v)
	}
	if v < float64(least) || v > float64(most) {
		return 0, r.fail("%s is %g; it lies between %d and %d", what, v, least, most)
	}
	return int(v), nil
}

func (r *problemReader) windows(in [][]float64, what string) ([]Window, error) {
	if in == nil {
		return nil, nil
	}
	if len(in) > maxWindows {
		return nil, r.fail("%s holds %d windows, more than %d", what, len(in), maxWindows)
	}
	out := make([]Window, 0, len(in))
	for k, w := range in {
		if len(w) != 2 {
			return nil, r.fail("window %d of %s has %d numbers; a window is [start, end]", k+1, what, len(w))
		}
		a, err := r.whole(w[0], -maxMinute, maxMinute, fmt.Sprintf("the start of window %d of %s", k+1, what))
		if err != nil {
			return nil, err
		}
		b, err := r.whole(w[1], -maxMinute, maxMinute, fmt.Sprintf("the end of window %d of %s", k+1, what))
		if err != nil {
			return nil, err
		}
		if b < a {
			return nil, r.fail("window %d of %s ends at %d, before it starts at %d", k+1, what, b, a)
		}
		out = append(out, Window{a, b})
	}
	return out, nil
}

func (r *problemReader) person(raw json.RawMessage) error {
	var v struct {
		Name  string      `json:"name"`
		Home  [][]float64 `json:"home"`
		Hands float64     `json:"hands_min"`
	}
	if err := r.into(raw, "a person", &v); err != nil {
		return err
	}
	who := "person " + v.Name
	hands, err := r.whole(v.Hands, 0, maxMinute, "hands_min of "+who)
	if err != nil {
		return err
	}
	home, err := r.windows(v.Home, "home of "+who)
	r.p.People = append(r.p.People, Person{v.Name, home, hands})
	return err
}

func (r *problemReader) printer(raw json.RawMessage) error {
	var v struct {
		Name  string  `json:"name"`
		Ready float64 `json:"ready_min"`
		Self  bool    `json:"self_clearing"`
	}
	if err := r.into(raw, "a printer", &v); err != nil {
		return err
	}
	switch {
	case v.Name == "":
		return r.fail("a printer has no name")
	case r.names[v.Name]:
		return r.fail("a second printer is called %s", v.Name)
	case len(r.p.Printers) == maxPrinters:
		return r.fail("more than %d printers", maxPrinters)
	}
	r.names[v.Name] = true
	ready, err := r.whole(v.Ready, -maxMinute, maxMinute, "ready_min of printer "+v.Name)
	r.p.Printers = append(r.p.Printers, Printer{v.Name, max(ready, 0), v.Self})
	return err
}

func (r *problemReader) job(raw json.RawMessage) error {
	var v struct {
		ID      string             `json:"id"`
		Minutes map[string]float64 `json:"minutes"`
	}
	if err := r.into(raw, "a job", &v); err != nil {
		return err
	}
	switch {
	case v.ID == "":
		return r.fail("a job has no id")
	case r.ids[v.ID]:
		return r.fail("a second job has the id %s", v.ID)
	case len(r.p.Jobs) == maxJobs:
		return r.fail("more than %d jobs", maxJobs)
	}
	r.ids[v.ID] = true
	j := Job{ID: v.ID, Minutes: make(map[string]int, len(v.Minutes))}
	for _, name := range slices.Sorted(maps.Keys(v.Minutes)) {
		m, err := r.whole(v.Minutes[name], 1, maxMinute/10, fmt.Sprintf("minutes of job %s on printer %s", v.ID, name))
		if err != nil {
			return err
		}
		j.Minutes[name] = m
	}
	r.p.Jobs = append(r.p.Jobs, j)
	return nil
}
