package link

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// spiral is a source of relative moves of 1 or 2 mm, so that every line shows in
// the position, with a few commands between them.
func spiral(n int) []string {
	lines := []string{"G28", "G91", "M83", "M104 S200", "G1 F3000"}
	for i := range n {
		lines = append(lines, fmt.Sprintf("G1 X%d Y1 E%.5f", 1+i%2, 0.03+float64(i%7)/100))
		if i%50 == 49 {
			lines = append(lines, fmt.Sprintf("M106 S%d", i%256), "G92 E0")
		}
	}
	return lines
}

// isOwn says that the link sent this command of its own accord.
func isOwn(text string) bool {
	switch wordOf(text) {
	case "M105", "M114", "M110", "M400", "M155", "M115", "M503", "M211", "G4":
		return true
	}
	return false
}

func sourceOnly(handled []string, from int) []string {
	var out []string
	for _, h := range handled[from:] {
		if !isOwn(h) {
			out = append(out, h)
		}
	}
	return out
}

func stream(t *testing.T, r *rig, lines []string, limit time.Duration) {
	t.Helper()
	if !r.open() {
		t.Fatalf("did not open: %+v", r.e.fault)
	}
	if r.e.phase != Idle {
		t.Fatal("not idle")
	}
	from := len(r.m.handled)
	seen, n := from, 0
	r.check = func() {
		// Done must never be above what was executed.
		for end := r.m.executed(); seen < end; seen++ {
			if !isOwn(r.m.handled[seen]) {
				n++
			}
		}
		if done := int(r.e.bound.done); done > n {
			t.Errorf("at %v Done is %d, executed are %d", r.now.Sub(epoch), done, n)
			r.check = nil
		}
	}
	if err := r.e.stream(r.now, &sliceSource{lines: lines}); err != nil {
		t.Fatal(err)
	}
	if !r.until(limit, func() bool { return r.e.phase == Idle || r.e.phase == Failed }) {
		t.Errorf("not over after %v: %+v", limit, r.e.state(r.now))
		return
	}
	got := sourceOnly(r.m.handled, from)
	if r.slipped > 0 {
		return // no checksum can show it: the position check has its own test
	}
	if r.e.phase == Idle {
		if !r.e.finished || !slices.Equal(got, lines) {
			t.Errorf("executed differs from the file\n%s", diff(got, lines))
			return
		}
		if r.e.bound.done != int64(len(lines)) {
			t.Errorf("Done is %d of %d", r.e.bound.done, len(lines))
		}
		return
	}
	// A run that stopped may have executed the line in hand, nothing out of order.
	if r.e.fault.Cause != CausePosition && r.e.fault.Cause != CauseDesync {
		if len(got) > len(lines) || !slices.Equal(got, lines[:len(got)]) {
			t.Errorf("executed differs from the file before the stop: %+v\n%s", r.e.fault, diff(got, lines))
		}
	}
}

func diff(got, want []string) string {
	for i := range max(len(got), len(want)) {
		g, w := "", ""
		if i < len(got) {
			g = got[i]
		}
		if i < len(want) {
			w = want[i]
		}
		if g != w {
			return fmt.Sprintf("at %d: got %q, want %q (%d and %d lines)\n got: %q", i, g, w, len(got), len(want), got[max(0, i-3):min(len(got), i+5)])
		}
	}
	return "equal"
}

var families = map[string]modelOptions{
	"plain":    {},
	"advanced": {advanced: true, parser: true},
	"careless": {careless: true},
}

func TestStreamClean(t *testing.T) {
	for name, mo := range families {
		t.Run(name, func(t *testing.T) {
			r := newRig(Options{}, mo, 1)
			r.trace = &strings.Builder{}
			stream(t, r, spiral(600), time.Hour)
			if t.Failed() || r.e.phase != Idle {
				t.Fatalf("%+v\n%s", r.e.fault, tail(r.trace.String(), 60))
			}
			s := r.e.state(r.now)
			if s.Resends != 0 || s.Timeouts != 0 {
				t.Errorf("resends %d timeouts %d on a clean line", s.Resends, s.Timeouts)
			}
			t.Logf("%v window %d audits %d rtt %v %v", r.now.Sub(epoch), s.Window, s.Audits, s.RTTp50, s.RTTp99)
		})
	}
}

func tail(s string, n int) string {
	l := strings.Split(s, "\n")
	return strings.Join(l[max(0, len(l)-n):], "\n")
}
