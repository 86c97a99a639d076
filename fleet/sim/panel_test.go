package sim

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A person at the panel: the host is told nothing, and sees heat and position
// change.
func TestPanel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{})
		defer h.close()
		h.heard(time.Second)
		h.p.Panel("M104 S200")
		h.p.Panel("G1 X30 F3000")
		if got := h.heard(2 * time.Second); len(got) != 0 {
			t.Errorf("the host heard %q", got)
		}
		if got := h.ask("M105", time.Second); len(got) != 1 || !strings.Contains(got[0], "/200.00") {
			t.Errorf("%q", got)
		}
		if got := h.ask("M114", time.Second); len(got) != 2 || !strings.HasPrefix(got[0], "X:30.00 ") {
			t.Errorf("%q", got)
		}
		if got := h.p.Truth(); got.Position[0] != 30 || got.Commands != 2 {
			t.Errorf("%+v", got)
		}
	})
}

// A quick stop loses what was planned; the move in hand, which had found no
// room, still comes and is told.
func TestQuickStopKeepsTheMoveInHand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{AllOptions: true})
		defer h.close()
		h.heard(time.Second)
		h.ask("M110 N0", time.Second)
		for i := range 20 {
			h.send(numbered(i+1, "G1 F60 Y"+[]string{"1", "2"}[i%2]) + "\n")
		}
		h.heard(2500 * time.Millisecond)
		h.ask("M410", 15*time.Second)
		moves := 0
		for _, l := range traced(h) {
			if strings.Contains(l, " Y") {
				moves++
			}
		}
		// Two were done, fifteen lost, one was in hand and two in the queue.
		if moves != 5 {
			t.Errorf("%d moves told: %q", moves, traced(h))
		}
	})
}
