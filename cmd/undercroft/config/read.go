package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Duration is a length of time as the file writes it: a number and a unit.
type Duration time.Duration

// UnmarshalText reads "90s", "5m", "1h30m".
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q is not a time with its unit, such as \"90s\", \"5m\" or \"1h30m\"", text)
	}
	if v < 0 {
		return fmt.Errorf("%q is less than no time", text)
	}
	*d = Duration(v)
	return nil
}

// ask notes that a key is known, and returns its value or nil.
func (t *table) ask(key string) *value {
	t.asked = append(t.asked, key)
	return t.value(key)
}

// need is ask for a key that must be there; why says what it is for.
func (t *table) need(key, why string) *value {
	v := t.ask(key)
	if v == nil {
		t.missing(key, why)
	}
	return v
}

func (t *table) missing(key, why string) {
	if near := t.misspelt(key); near != nil {
		return // reported as an unknown key, with this one as what was meant
	}
	t.r.problem(t.at, t.end-t.at, "%s has no %s: %s", t.label(), key, why)
}

// label names a table for people: one of several by its own name.
func (t *table) label() string {
	if v := t.value("name"); v != nil && v.text != "" {
		return fmt.Sprintf("%s %q", t.name, v.text)
	}
	return t.name
}

// misspelt finds a key of the table that was probably meant to be this one.
func (t *table) misspelt(key string) *entry {
	if len(t.keys) > 200 { // no table has so many; the search would take long
		return nil
	}
	for _, e := range t.keys {
		if e.key != key && nearest(e.key, []string{key}) == key {
			return e
		}
	}
	return nil
}

// done reports every key that was not asked for.
func (t *table) done() {
	for _, e := range t.keys {
		if slices.Contains(t.asked, e.key) {
			continue
		}
		if t.r.full() {
			return
		}
		what := fmt.Sprintf("%q is not a key of %s", e.key, t.label())
		if e.lists || e.value.table != nil {
			what = fmt.Sprintf("%q is not a table of %s", e.key, t.label())
		}
		var free []string
		for _, a := range t.asked {
			if t.entry(a) == nil {
				free = append(free, a)
			}
		}
		if near := nearest(e.key, free); near != "" {
			t.r.problem(e.at, e.length, "%s; did you mean %q?", what, near)
		} else if near := nearest(e.key, t.asked); near != "" {
			t.r.problem(e.at, e.length, "%s; %q is there already", what, near)
		} else {
			t.r.problem(e.at, e.length, "%s; it knows %s", what, strings.Join(t.asked, ", "))
		}
	}
}

// what names a value's type for people.
func (v *value) what() string {
	switch v.kind {
	case unstable.String:
		return "a text"
	case unstable.Integer, unstable.Float:
		return "a number"
	case unstable.Bool:
		return v.text
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	}
	return "a date or time"
}

func (r *reader) wrongType(v *value, key, want string) {
	r.problem(v.at, v.length, "%s is %s; wanted is %s", key, v.what(), want)
}

// text reads a string; "" when it is absent or wrong.
func (r *reader) text(v *value, key, want string) string {
	if v == nil {
		return ""
	}
	if v.kind != unstable.String {
		r.wrongType(v, key, want)
		return ""
	}
	if strings.TrimSpace(v.text) == "" {
		r.problem(v.at, v.length, "%s is empty; wanted is %s", key, want)
	}
	return v.text
}

// flag reads true or false.
func (r *reader) flag(v *value, key string) bool {
	if v.kind != unstable.Bool {
		r.wrongType(v, key, "true or false")
		return false
	}
	return v.text == "true"
}

// texts reads a list of strings.
func (r *reader) texts(v *value, key, want string) []string {
	if v == nil {
		return nil
	}
	if v.kind != unstable.Array {
		r.wrongType(v, key, want)
		return nil
	}
	out := []string{}
	for _, item := range v.items {
		if s := r.text(item, key, want); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// span is what a number must lie in.
type span struct {
	least, most float64
	open        bool // least itself is not allowed
}

func (s span) holds(f float64) bool {
	return !math.IsNaN(f) && f <= s.most && (f > s.least || !s.open && f == s.least)
}

func (s span) String() string {
	switch {
	case s.open && s.least == 0 && math.IsInf(s.most, 1):
		return "above 0"
	case math.IsInf(s.most, 1):
		return "at least " + short(s.least)
	case s.open:
		return fmt.Sprintf("above %s, at most %s", short(s.least), short(s.most))
	}
	return fmt.Sprintf("from %s to %s", short(s.least), short(s.most))
}

func short(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// number reads a number that is given in a unit; ok is false when it is absent
// or wrong.
func (r *reader) number(v *value, key string, u unit, s span) (f float64, ok bool) {
	if v == nil {
		return 0, false
	}
	want := "a number"
	if u.name != "" {
		want = "a number in " + u.name
	}
	if v.kind == unstable.String {
		if n, fits := u.convert(v.text); fits {
			r.problem(v.at, v.length, "%s is a text; wanted is %s without the unit: %s = %s", key, want, key, short(n))
			return 0, false
		}
	}
	if v.kind != unstable.Integer && v.kind != unstable.Float {
		r.wrongType(v, key, want)
		return 0, false
	}
	f, err := v.float()
	if err != nil || !s.holds(f) {
		r.problem(v.at, v.length, "%s is %s; wanted is %s, %s", key, v.text, want, s)
		return 0, false
	}
	return f, true
}

func (v *value) float() (float64, error) {
	text := strings.ReplaceAll(v.text, "_", "")
	if v.kind == unstable.Integer {
		n, err := strconv.ParseInt(text, 0, 64)
		return float64(n), err
	}
	return strconv.ParseFloat(text, 64)
}

// whole reads a whole number.
func (r *reader) whole(v *value, key string, u unit, s span) (n int, ok bool) {
	f, ok := r.number(v, key, u, s)
	if ok && f != math.Trunc(f) {
		r.problem(v.at, v.length, "%s is %s; wanted is a whole number", key, v.text)
		return 0, false
	}
	return int(f), ok
}

// numbers reads a list of exactly n numbers in a unit; names says what they are.
func (r *reader) numbers(v *value, key string, n int, names string, u unit, s span) ([]float64, bool) {
	if v == nil {
		return nil, false
	}
	if v.kind != unstable.Array {
		r.problem(v.at, v.length, "%s is %s; wanted is a list of %d numbers in %s, [%s]", key, v.what(), n, u.name, names)
		return nil, false
	}
	if len(v.items) != n {
		r.problem(v.at, v.length, "%s has %d values; wanted are %d in %s, [%s]", key, len(v.items), n, u.name, names)
		return nil, false
	}
	out, all := make([]float64, n), true
	for i, item := range v.items {
		f, ok := r.number(item, key, u, s)
		out[i], all = f, all && ok
	}
	return out, all
}

// duration reads a time with its unit.
func (r *reader) duration(v *value, key string, otherwise, most time.Duration) time.Duration {
	if v == nil {
		return otherwise
	}
	if v.kind == unstable.Integer || v.kind == unstable.Float {
		r.problem(v.at, v.length, "%s is a number without its unit; write %s = \"%ss\" if seconds are meant", key, key, v.text)
		return otherwise
	}
	if v.kind != unstable.String {
		r.wrongType(v, key, "a time with its unit, such as \"90s\"")
		return otherwise
	}
	var d Duration
	if err := d.UnmarshalText([]byte(v.text)); err != nil {
		r.problem(v.at, v.length, "%s: %v", key, err)
		return otherwise
	}
	if time.Duration(d) > most {
		r.problem(v.at, v.length, "%s is %s; more than %d h is not allowed", key, v.text, int(most.Hours()))
	}
	return time.Duration(d)
}
