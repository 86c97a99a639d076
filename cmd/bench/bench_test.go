package main

import (
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"undercroft/gcode/analyze"
)

// The way to the ring and its chords in the planner's own time: never faster than
// the feed, and near it, for the ring is wide.
func TestOwnTime(t *testing.T) {
	const n = 1500
	least := time.Duration((math.Hypot(140, 100) + n*chordMM) / ringMMs * float64(time.Second))
	got := ownTime(n)
	if got < least || got > least*21/20 {
		t.Errorf("%v, at the feed it is %v", got, least)
	}
}

func TestFeatherIsShortSegments(t *testing.T) {
	f := &feather{last: 50}
	lines := 0
	for {
		text, n, err := f.Next()
		if err == io.EOF {
			break
		}
		if lines++; n != int64(lines) {
			t.Errorf("line %d is called %d", lines, n)
		}
		if lines > len(before) && !strings.HasPrefix(string(text), "G1 X") {
			t.Errorf("line %d: %q", lines, text)
		}
	}
	if lines != 50+len(before) {
		t.Errorf("%d lines", lines)
	}
	x0, y0 := place(7)
	x1, y1 := place(8)
	if d := math.Hypot(x1-x0, y1-y0); math.Abs(d-chordMM) > 0.01 {
		t.Errorf("a chord of %.3f mm", d)
	}
}

// The shuttle stays within 160 mm of where it began.
func TestShuttleComesBack(t *testing.T) {
	s := &shuttle{stepMM: 0.4, feedMMs: 100}
	x, least, most := 0.0, 0.0, 0.0
	for range 5000 {
		text, _, _ := s.Next()
		if rest, ok := strings.CutPrefix(string(text), "G1 X"); ok {
			if rest[0] == '-' {
				x -= 0.4
			} else {
				x += 0.4
			}
		}
		least, most = min(least, x), max(most, x)
	}
	if most-least > 165 || most-least < 150 {
		t.Errorf("from %.1f to %.1f mm", least, most)
	}
}

func TestQuantiles(t *testing.T) {
	var d []time.Duration
	for i := range 1000 {
		d = append(d, time.Duration(1000-i)*time.Microsecond)
	}
	if p50, p99 := quantiles(d); p50 != 501*time.Microsecond || p99 != 991*time.Microsecond {
		t.Errorf("%v %v", p50, p99)
	}
	if p50, p99 := quantiles(nil); p50 != 0 || p99 != 0 {
		t.Error("of nothing")
	}
}

// A port that is timed notes one delay for each ok that a write follows.
func TestClockedNotesOneDelayAnOK(t *testing.T) {
	c := &clocked{Port: talk{strings.NewReader("ok\n T:20 /0\nok\n")}, added: make([]time.Duration, 0, 8)}
	c.on.Store(true)
	buf := make([]byte, 64)
	c.Write(buf)
	c.Read(buf)
	c.Write(buf)
	c.Write(buf)
	if len(c.added) != 1 || c.added[0] <= 0 {
		t.Errorf("%v", c.added)
	}
}

type talk struct{ io.Reader }

func (talk) Write(p []byte) (int, error) { return len(p), nil }
func (talk) Close() error                { return nil }

// A stream is as long as asked for and all of it is G-code that lays material.
func TestEndless(t *testing.T) {
	const size = 3_000_001
	r, err := analyze.Read(newEndless(size, 1), analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Bytes != size || len(r.Layers) < 3 || r.Bead.TypicalMM < 0.3 || r.Bead.TypicalMM > 0.6 {
		t.Errorf("%d bytes, %d layers, beads of %.2f mm, %+v", r.Bytes, len(r.Layers), r.Bead.TypicalMM, r.Findings)
	}
}
