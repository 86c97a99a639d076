package sim

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// exchange is one line and what comes back for it.
type exchange struct {
	send string // sent with \n, unless it ends in |
	want string // lines joined with |
}

// Ways of refusing, repeating and acknowledging, as the notes on the wire tell
// them of families that were read but not recorded.
var manners = map[Family][]exchange{
	FamilyA: {
		{"M110 N0", "ok"},
		{numbered(1, "M118 a"), "a\r|ok"},
		{numbered(1, "M118 a"), ""},
		{"N2 M118 b*1", "Error:checksum mismatch, Last Line: 1|Resend: 2|ok"},
		{"M118 c*1", "c\r|ok"},
	},
	FamilyB: {
		{"M110 N0", "ok"},
		{numbered(1, "M118 a"), "a\r|ok"},
		{numbered(1, "M118 a"), "skip 1|ok"},
		{"N2 M118 b*1", "Error:checksum mismatch, Last Line: 1|Resend:2|ok"},
		{"M118 c*1", "Error:No Line Number with checksum, Last Line: 1|Resend:2|ok"},
		{"M118 lost|", ""}, // no line end for 2 s: forgotten
		{"M118 d", "d\r|ok"},
	},
	FamilyC: {
		{"M110 N0", "ok"},
		{numbered(1, "M118 a"), "a\r|ok"},
		{numbered(1, "M118 a"), "rs 2"},
		{"N2 M118 b*1", "rs 2"},
		{"N2 M118|", "rs 2"}, // no line end for 200 ms: asked for again
		{numbered(2, "M118 b"), "b\r|ok"},
		{"M118 x ; comment", ""},
		{"M118 y", ""},
		{"M118 z", "z\r|ok"},
	},
	FamilyD: {
		{"M110 N0", "ok"},
		{numbered(1, "M118 a"), "ok 1|a\r"},
		{numbered(1, "M118 a"), "rs N2|ok"},
		{numbered(2, "G4 P500"), "ok 2"},
	},
	FamilyE: {
		{numbered(7, "G92 E1"), "ok"},
		{numbered(7, "G92 E1"), "ok"},
		{"N8 G92 E1*1", "rs N8 Expected checksum 78|ok"},
		{"", "ok"},
	},
}

func TestManners(t *testing.T) {
	for family, list := range manners {
		t.Run(string(family), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := talk(t, Options{Family: family})
				defer h.close()
				h.heard(time.Second)
				for _, x := range list {
					line, open := strings.CutSuffix(x.send, "|")
					if !open {
						line += "\n"
					}
					h.send(line)
					got := strings.Join(h.heard(3*time.Second), "|")
					if got != x.want {
						t.Errorf("%q: came %q, want %q", x.send, got, x.want)
					}
				}
			})
		})
	}
}

// A receipt comes before the command runs: the move behind a dwell is
// acknowledged in it.
func TestReceiptComesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{Family: FamilyD})
		defer h.close()
		h.heard(time.Second)
		h.ask("M110 N0", time.Second)
		h.send(numbered(1, "G4 S5") + "\n" + numbered(2, "M118 later") + "\n")
		if got := strings.Join(h.heard(time.Second), "|"); got != "ok 1|ok 2" {
			t.Errorf("in the dwell: %q", got)
		}
		if got := strings.Join(h.heard(5*time.Second), "|"); !strings.HasSuffix(got, "later\r") {
			t.Errorf("behind it: %q", got)
		}
	})
}

// What stands in the trace is in the order of the commands; a move is there
// when it is done and not before, and never when a reset took it.
func TestTraceTellsWhatWasDone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{})
		h.heard(time.Second)
		h.ask("M110 N0", 10*time.Millisecond)
		h.send(numbered(1, "G1 X10 F600") + "\n" + numbered(2, "M106 S255") + "\n" + numbered(3, "G1 X20") + "\n" + numbered(4, "G1 X30") + "\n")
		h.heard(500 * time.Millisecond)
		if got := traced(h); len(got) != 0 {
			t.Errorf("after half a second: %q", got)
		}
		h.heard(700 * time.Millisecond)
		if got, want := traced(h), []string{"N1 G1 X10 F600", "N2 M106 S255"}; fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("after 1.2 s: %q", got)
		}
		if p := h.p.Truth().Position; p[0] < 10 || p[0] > 13 {
			t.Errorf("at X %.2f", p[0])
		}
		h.heard(1200 * time.Millisecond)
		h.p.Reset()
		h.heard(time.Second)
		h.close()
		if got, want := traced(h), []string{"N1 G1 X10 F600", "N2 M106 S255", "N3 G1 X20"}; fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("at the end: %q", got)
		}
		lines := strings.Split(strings.TrimSpace(h.trace.String()), "\n")
		if last := lines[len(lines)-1]; !strings.HasPrefix(last, "# ") || !strings.Contains(last, " end x 0.000 ") {
			t.Errorf("last line %q", last)
		}
	})
}

// traced gives the numbered lines of the trace, without their times.
func traced(h *talker) (l []string) {
	var text string
	h.p.ask(func(b *board) {
		b.tr.flush()
		text = h.trace.String()
	})
	for _, s := range strings.Split(text, "\n") {
		if _, rest, ok := strings.Cut(s, " "); ok && strings.HasPrefix(rest, "N") {
			l = append(l, rest)
		}
	}
	return l
}

// 100 mm at 100 mm/s and 3000 mm/s² took a running firmware 1.139 s, its delay
// from a standstill included (recorded).
func TestPaceOfOneLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{})
		h.heard(time.Second)
		h.send("G1 X100 F6000\n")
		h.heard(10 * time.Second)
		h.close()
		var at float64
		for _, s := range strings.Split(h.trace.String(), "\n") {
			if strings.HasSuffix(s, "G1 X100 F6000") {
				fmt.Sscan(s, &at)
			}
		}
		if d := at - 1 - 1.139; d < -0.02 || d > 0.02 {
			t.Errorf("took %.3f s", at-1)
		}
	})
}

// The recorded nozzle took 123 s from 31.0 to 204.0 °C.
func TestNozzleHeatsAsRecorded(t *testing.T) {
	h := newNozzle(260)
	h.settle(22)
	h.aim(205, 0)
	var from, to vt
	for now := vt(0); now < 400*time.Second && to == 0; now += heatStep {
		h.step(heatStep, now, 22)
		if from == 0 && h.readC >= 31.04 {
			from = now
		}
		if h.readC >= 203.99 {
			to = now
		}
	}
	if d := (to - from).Seconds(); d < 110 || d > 136 {
		t.Errorf("took %.0f s", d)
	}
}

// A long quiet time and a sudden catching up change nothing about when things
// happened: deadlines are absolute.
func TestNoDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var ends []time.Duration
		h := talk(t, Options{Pace: 3000, OnExecute: func(e Executed) {
			if e.Move {
				ends = append(ends, e.At)
			}
		}})
		h.heard(time.Second)
		h.ask("G91\nM204 P100000 T100000\nM201 X100000", 10*time.Millisecond)
		for range 12 {
			h.send("G1 X10 F600\n") // 1 s each, in 4 ms of real time altogether
		}
		h.heard(time.Second)
		h.close()
		if len(ends) != 12 {
			t.Fatalf("%d moves", len(ends))
		}
		whole := ends[11] - ends[1]
		if d := whole.Seconds() - 10; d < -0.01 || d > 0.01 {
			t.Errorf("ten moves of a second took %v", whole)
		}
	})
}

// Limits that were set are lost in a reset, as on a board that stores nothing.
func TestResetRestoresLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{})
		defer h.close()
		h.heard(time.Second)
		h.ask("M203 X123", time.Second)
		if got := strings.Join(h.ask("M503", time.Second), "\n"); !strings.Contains(got, "M203 X123.00 Y300.00") {
			t.Errorf("before: %s", got)
		}
		h.p.Reset()
		h.heard(time.Second)
		if got := strings.Join(h.ask("M503", time.Second), "\n"); !strings.Contains(got, "M203 X300.00 Y300.00") {
			t.Errorf("after: %s", got)
		}
	})
}
