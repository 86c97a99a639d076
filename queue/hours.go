package queue

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Schedule is a set of spans in the week, on the clock on the wall: 'Mo-Fr
// 17:00-23:00, Sa Su 08:00-23:00', 'daily 23:00-07:00', 'none'. A span that
// ends at or before its start runs over midnight and belongs to the day on
// which it starts. Around a change to or from summer time the clock on the wall
// decides: an hour that the clock shows twice is in the span both times.
type Schedule struct {
	text  string
	spans []span
}

// span is a time of day on a set of weekdays, in minutes; to > from always, and
// to above 1440 runs into the next day.
type span struct {
	days     [7]bool // by time.Weekday
	from, to int
}

var dayNames = [7]string{"Su", "Mo", "Tu", "We", "Th", "Fr", "Sa"}

const hoursExample = "write for example 'Mo-Fr 17:00-23:00, Sa Su 08:00-23:00', 'daily 23:00-07:00' or 'none'"

// ParseSchedule reads the syntax above. The error names the part that was not
// understood and wraps ErrInvalid.
func ParseSchedule(text string) (Schedule, error) {
	text = strings.TrimSpace(text)
	if len(text) > 500 {
		return Schedule{}, fmt.Errorf("hours of more than 500 characters: %w", ErrInvalid)
	}
	if strings.EqualFold(text, "none") {
		return Schedule{text: "none"}, nil
	}
	if text == "" {
		return Schedule{}, fmt.Errorf("hours are empty; %s: %w", hoursExample, ErrInvalid)
	}
	s := Schedule{text: text}
	for part := range strings.SplitSeq(text, ",") {
		sp, err := parseSpan(strings.TrimSpace(part))
		if err != nil {
			return Schedule{}, fmt.Errorf("'%s' in the hours: %w; %s: %w", strings.TrimSpace(part), err, hoursExample, ErrInvalid)
		}
		s.spans = append(s.spans, sp)
	}
	return s, nil
}

func parseSpan(text string) (span, error) {
	var sp span
	words := strings.Fields(text)
	if len(words) == 0 {
		return sp, fmt.Errorf("nothing stands between two commas")
	}
	last := words[len(words)-1]
	from, to, ok := strings.Cut(last, "-")
	if !ok || !strings.Contains(last, ":") {
		return sp, fmt.Errorf("no time such as 17:00-23:00 at the end")
	}
	var err error
	if sp.from, err = parseClock(from); err != nil {
		return sp, err
	}
	if sp.to, err = parseClock(to); err != nil {
		return sp, err
	}
	switch {
	case sp.from == 1440:
		return sp, fmt.Errorf("24:00 can end a span, not start one")
	case sp.from == sp.to:
		return sp, fmt.Errorf("starts and ends at %s; the whole day is 00:00-24:00", from)
	case sp.to < sp.from:
		sp.to += 1440
	}
	if len(words) == 1 {
		return sp, fmt.Errorf("no day before %s", last)
	}
	for _, w := range words[:len(words)-1] {
		if strings.EqualFold(w, "daily") {
			sp.days = [7]bool{true, true, true, true, true, true, true}
			continue
		}
		a, b, isRange := strings.Cut(w, "-")
		first, err := parseDay(a)
		if err != nil {
			return sp, err
		}
		final := first
		if isRange {
			if final, err = parseDay(b); err != nil {
				return sp, err
			}
		}
		for d := first; ; d = (d + 1) % 7 {
			sp.days[d] = true
			if d == final {
				break
			}
		}
	}
	return sp, nil
}

func parseDay(s string) (int, error) {
	for i, n := range dayNames {
		if strings.EqualFold(n, s) {
			return i, nil
		}
	}
	return 0, fmt.Errorf("'%s' is not a day; the days are Mo Tu We Th Fr Sa Su", s)
}

func parseClock(s string) (int, error) {
	h, m, ok := strings.Cut(s, ":")
	hour, okH := digits(h)
	minute, okM := digits(m)
	if !ok || !okH || !okM || len(m) != 2 || hour > 24 || minute > 59 || hour == 24 && minute != 0 {
		return 0, fmt.Errorf("'%s' is not a time of day between 00:00 and 24:00", s)
	}
	return hour*60 + minute, nil
}

func digits(s string) (int, bool) {
	if s == "" || len(s) > 2 {
		return 0, false
	}
	n := 0
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// String gives the text back as it was written.
func (s Schedule) String() string { return s.text }

// Contains says whether the wall clock at t, in t's zone, stands in a span. The
// start of a span is in it, its end is not.
func (s Schedule) Contains(t time.Time) bool {
	m := t.Hour()*60 + t.Minute()
	today := t.Weekday()
	yesterday := (today + 6) % 7
	for i := range s.spans {
		sp := &s.spans[i]
		if sp.days[today] && m >= sp.from && m < sp.to {
			return true
		}
		if sp.days[yesterday] && m+1440 < sp.to {
			return true
		}
	}
	return false
}

// NextChange is the first instant after t at which Contains changes, in t's
// zone; zero when it never does.
func (s Schedule) NextChange(t time.Time) time.Time {
	if len(s.spans) == 0 {
		return time.Time{}
	}
	var at []time.Time
	add := func(c time.Time) {
		if c.After(t) {
			at = append(at, c)
		}
	}
	y, mo, d := t.Date()
	for day := -1; day <= 8; day++ {
		noon := time.Date(y, mo, d+day, 12, 0, 0, 0, t.Location())
		// The clock may show a boundary under the offset before a change and again
		// under the one after it, or jump over it at the change itself.
		_, before := noon.Add(-24 * time.Hour).Zone()
		_, after := noon.Add(24 * time.Hour).Zone()
		for i := range s.spans {
			for _, m := range [2]int{s.spans[i].from, s.spans[i].to} {
				wall := time.Date(y, mo, d+day, 0, m, 0, 0, time.UTC)
				add(wall.Add(-time.Duration(before) * time.Second).In(t.Location()))
				add(wall.Add(-time.Duration(after) * time.Second).In(t.Location()))
			}
		}
		if _, end := noon.ZoneBounds(); !end.IsZero() {
			add(end)
		}
	}
	slices.SortFunc(at, time.Time.Compare)
	now := s.Contains(t)
	for _, c := range at {
		if s.Contains(c) != now {
			return c
		}
	}
	return time.Time{}
}

// Hours are when somebody can clear a plate and when nothing may be hot.
type Hours struct {
	Answered bool // both were given once, 'none' included; nothing starts before
	Home     Schedule
	Cold     Schedule
}

// Stock is the owner's word on reels that may not last.
type Stock struct {
	Margin *float64 // kept on the reel over what a file needs, a share of it; nil: 0.05
	Warn   bool     // a reel that will not last is warned of, and the job starts all the same
}

// Share is the margin in force.
func (s Stock) Share() float64 {
	if s.Margin != nil {
		return *s.Margin
	}
	return marginOfSpool
}

// House is what the hours mean for a start at Now.
type House struct {
	Now      time.Time // in the house's zone
	Answered bool
	ColdNow  bool
	ColdEnds time.Time // when ColdNow; zero when they never end
	NextCold time.Time // when not ColdNow; zero when none will come
	Stock    Stock
	Surfaces Surfaces // the owner's; nil: the shipped table
}

// NewHouse works out once for a decision what holds for all its jobs and printers.
func NewHouse(now time.Time, h Hours) House {
	v := House{Now: now, Answered: h.Answered, ColdNow: h.Cold.Contains(now)}
	next := h.Cold.NextChange(now)
	if v.ColdNow {
		v.ColdEnds = next
	} else {
		v.NextCold = next
	}
	return v
}
