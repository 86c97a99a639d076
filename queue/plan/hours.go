package plan

import (
	"time"

	"undercroft/queue"
)

// Exception is a date on which other hours hold than the weekly ones.
type Exception struct {
	Date  time.Time      // any time of that day, in the house's zone
	Hours queue.Schedule // the spans of that weekday in it hold on the date; none: nobody
}

// Calendar lays weekly hours, with exceptions by date, out as minutes from now,
// for so many days. The clock on the wall decides: on the day on which summer time
// begins, a span from 01:00 to 05:00 is three hours long, on the day on which it
// ends five. now carries the house's zone; a start at a broken minute is rounded
// up, an end down, so that no window is longer than the hours.
func Calendar(now time.Time, days int, weekly queue.Schedule, exceptions []Exception) []Window {
	var out []Window
	y, mo, d := now.Date()
	for k := -1; k <= days; k++ {
		from := time.Date(y, mo, d+k, 0, 0, 0, 0, now.Location())
		to := time.Date(y, mo, d+k+1, 0, 0, 0, 0, now.Location())
		hours := weekly
		for _, x := range exceptions {
			ey, emo, ed := x.Date.In(now.Location()).Date()
			fy, fmo, fd := from.Date()
			if ey == fy && emo == fmo && ed == fd {
				hours = x.Hours
			}
		}
		for t := from; t.Before(to); {
			next := hours.NextChange(t)
			if next.IsZero() || next.After(to) {
				next = to
			}
			if hours.Contains(t) {
				out = append(out, Window{minuteUp(t.Sub(now)), minuteDown(next.Sub(now))})
			}
			t = next
		}
	}
	windows := out[:0]
	for _, w := range out {
		if w[0] = max(w[0], 0); w[0] < w[1] {
			windows = append(windows, w)
		}
	}
	return union(windows)
}

func minuteUp(d time.Duration) int {
	m := int(d / time.Minute)
	if d > time.Duration(m)*time.Minute {
		m++
	}
	return m
}

func minuteDown(d time.Duration) int {
	m := int(d / time.Minute)
	if d < time.Duration(m)*time.Minute {
		m--
	}
	return m
}
