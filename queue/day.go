package queue

import (
	"fmt"
	"strings"
	"time"
)

// ParseDay reads a day as '2026-12-05' or '5.12.2026', with '18:00' after it
// where the hour matters, or an instant in RFC 3339. A day without an hour is its
// first minute, with end its last one, on the clock on the wall in zone; an hour
// that the clock jumps over is the one after. Empty is no date. The error wraps
// ErrInvalid.
func ParseDay(text string, zone *time.Location, end bool) (time.Time, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return time.Time{}, nil
	}
	bad := fmt.Errorf("'%s' is no date; write 2026-12-05, or 2026-12-05 18:00: %w", text, ErrInvalid)
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return within(t.In(zone), bad)
	}
	for _, form := range []string{"2006-01-02", "2.1.2006"} {
		if t, err := time.ParseInLocation(form+" 15:04", text, zone); err == nil {
			return within(t, bad)
		}
		if t, err := time.ParseInLocation(form, text, zone); err == nil {
			if end {
				t = time.Date(t.Year(), t.Month(), t.Day(), 23, 59, 0, 0, zone)
			}
			return within(t, bad)
		}
	}
	return time.Time{}, bad
}

func within(t time.Time, bad error) (time.Time, error) {
	if t.Year() < 2000 || t.Year() > 2200 {
		return time.Time{}, bad
	}
	return t, nil
}

// Day writes a date as ParseDay reads it back.
func Day(t time.Time, zone *time.Location, end bool) string {
	if t.IsZero() {
		return ""
	}
	t = t.In(zone)
	minute := t.Hour()*60 + t.Minute()
	if !end && minute == 0 || end && minute == 23*60+59 {
		return t.Format("2006-01-02")
	}
	return t.Format("2006-01-02 15:04")
}
