package main

import (
	"testing"
	"time"

	"undercroft/queue"
)

// TestWindowsOf spreads hours over a night in which the clock is set forward
// (31 March 2024, Europe/Berlin: 02:00 became 03:00).
func TestWindowsOf(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	s, err := queue.ParseSchedule("daily 22:00-04:00")
	if err != nil {
		t.Fatal(err)
	}
	at := func(day, hour int) time.Time { return time.Date(2024, 3, day, hour, 0, 0, 0, zone) }
	got := windowsOf(s, at(30, 12), at(31, 23))
	if len(got) != 2 || !got[0].From.Equal(at(30, 22)) || !got[0].To.Equal(at(31, 4)) || !got[1].From.Equal(at(31, 22)) || !got[1].To.Equal(at(31, 23)) {
		t.Fatalf("windows %v", got)
	}
	if night := got[0].To.Sub(got[0].From); night != 5*time.Hour {
		t.Errorf("that night has %s, want 5 h", night)
	}
	if w := windowsOf(queue.Schedule{}, at(30, 12), at(31, 23)); w != nil {
		t.Errorf("no hours: %v", w)
	}
}
