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

// stream runs a stream to its end and holds the promises against it.
func stream(t *testing.T, r *rig, lines []string) {
	t.Helper()
	if !r.open() {
		t.Fatalf("did not open: %+v", r.e.fault)
	}
	if why := promise(r, lines); why != "" {
		t.Error(why)
	}
}

// promise streams the lines and says what was broken: what was executed is the
// source, in order, once, or the stream stopped; Done was never above what was
// executed.
func promise(r *rig, lines []string) string {
	from := len(r.m.handled)
	seen, n, above := from, 0, ""
	r.check = func() {
		for end := r.m.executed(); seen < end; seen++ {
			if !isOwn(r.m.handled[seen]) {
				n++
			}
		}
		if done := int(r.e.bound.done); done > n && above == "" {
			above = fmt.Sprintf("at %v Done is %d, executed are %d", r.now.Sub(epoch), done, n)
		}
	}
	// The link's own G4 cannot be told from the source's by its word.
	plain := slices.DeleteFunc(slices.Clone(lines), isOwn)
	if len(plain) != len(lines) {
		r.check = nil
	}
	if err := r.e.stream(r.now, &sliceSource{lines: lines}); err != nil {
		return err.Error()
	}
	const limit = 5 * time.Hour
	if !r.until(limit, func() bool { return r.e.phase == Idle || r.e.phase == Failed }) {
		return fmt.Sprintf("not over after %v: %+v", limit, r.e.state(r.now))
	}
	got := sourceOnly(r.m.handled, from)
	switch {
	case r.slipped > 0:
		return "" // no checksum can show it: the position check has its own test
	case above != "":
		return above
	case r.e.phase == Idle:
		if !r.e.finished || !slices.Equal(got, plain) {
			return "executed differs from the file\n" + diff(got, plain)
		}
		if r.e.bound.done != int64(len(lines)) {
			return fmt.Sprintf("Done is %d of %d", r.e.bound.done, len(lines))
		}
	case r.e.fault.Cause == CauseInternal:
		return r.e.fault.Text
	case r.e.fault.Cause != CausePosition && r.e.fault.Cause != CauseDesync:
		// A run that stopped may have executed the line in hand, nothing out of order.
		if len(got) > len(plain) || !slices.Equal(got, plain[:len(got)]) {
			return fmt.Sprintf("executed differs from the file before the stop: %+v\n%s", r.e.fault, diff(got, plain))
		}
	}
	return ""
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
	"receipt":  {receipt: true},
}

func TestStreamClean(t *testing.T) {
	for name, mo := range families {
		t.Run(name, func(t *testing.T) {
			r := newRig(Options{}, mo, 1)
			r.trace = &strings.Builder{}
			stream(t, r, spiral(600))
			if t.Failed() || r.e.phase != Idle {
				t.Fatalf("%+v\n%s", r.e.fault, tail(r.trace.String(), 60))
			}
			s := r.e.state(r.now)
			most := int64(0)
			if mo.receipt {
				most = 1 // the homing that keeps an ok back was acknowledged before
			}
			if s.Resends != 0 || s.Timeouts > most {
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
