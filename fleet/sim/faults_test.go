package sim

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestParseFaults(t *testing.T) {
	f, err := ParseFaults("flip=1e-4, losebyte=2e-5,lostok=0.001,unplug@line=5000,replug=2s,runout@t=12.5,refill=1m0s,burst=1e-6,burst-bytes=7")
	if err != nil {
		t.Fatal(err)
	}
	want := Faults{Flip: 1e-4, LoseByte: 2e-5, LoseOK: 0.001, Replug: 2 * time.Second, Refill: time.Minute, Burst: 1e-6, BurstBytes: 7,
		Events: []FaultEvent{{Kind: FaultUnplug, Line: 5000}, {Kind: FaultRunout, At: 12500 * time.Millisecond}}}
	if !reflect.DeepEqual(f, want) {
		t.Errorf("read %+v\nwant %+v", f, want)
	}
	again, err := ParseFaults(f.String())
	if err != nil || !reflect.DeepEqual(again, f) {
		t.Errorf("%q reads back as %+v, %v", f.String(), again, err)
	}
	for _, bad := range []string{"flip", "flip=2", "flip=-1", "flip=NaN", "flop=1e-3", "unplug@line=0", "unplug@line=x", "melt@line=3",
		"unplug@when=3", "replug=2", "replug=-2s", "runout@t=-1", "burst-bytes=x"} {
		if _, err := ParseFaults(bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// stubborn is a host that sends one line at a time and does not give up: it
// goes back to the line that is asked for and asks where the board stands when
// an answer does not come.
type stubborn struct {
	h     *talker
	lines []string // numbered from 1
}

// last gives the answers that came until the line was quiet for d, or until an
// `ok` that ends a command.
func (s *stubborn) listen(quiet time.Duration) (ok bool, ask int) {
	ask = -1
	for waited := time.Duration(0); waited < quiet; waited += time.Millisecond {
		for _, l := range s.h.heard(time.Millisecond) {
			waited = 0
			low := strings.ToLower(l)
			for _, p := range []string{"resend: ", "resend:", "rs n", "rs "} {
				if strings.HasPrefix(low, p) {
					var n int
					if _, err := fmt.Sscanf(low[len(p):], "%d", &n); err == nil {
						ask = n
					}
					break
				}
			}
			if l == "ok" || strings.HasPrefix(l, "ok ") {
				ok = true
			}
		}
		if ok && ask < 0 {
			return
		}
	}
	return
}

func (s *stubborn) run(n int) bool {
	for i, tries := 1, 0; i <= n; {
		if tries++; tries > 200*n {
			return false
		}
		s.h.send(numbered(i, s.lines[i-1]) + "\n")
		ok, ask := s.listen(300 * time.Millisecond)
		if ok && ask < 0 {
			i++
			continue
		}
		if ask < 0 {
			// Silence: a number from far ahead is refused with the one that is due.
			for ask < 0 {
				s.h.send("\n" + numbered(900000, "M105") + "\n")
				_, ask = s.listen(300 * time.Millisecond)
			}
		}
		if ask >= 1 && ask <= n+1 {
			i = ask
		}
	}
	return true
}

func TestDamageIsRefusedOrCounted(t *testing.T) {
	for seed := range uint64(3) {
		for _, family := range []Family{FamilyA, FamilyB, FamilyD} {
			t.Run(fmt.Sprintf("%s-%d", family, seed), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { damage(t, family, seed) })
			})
		}
	}
}

func damage(t *testing.T, family Family, seed uint64) {
	const n = 1500
	var ran []string
	o := Options{Family: family, Seed: seed, Pace: 1e4,
		Faults:    Faults{Flip: 3e-4, LoseByte: 2e-4, Burst: 1e-4, LoseLine: 2e-3, LoseOK: 1e-2, DoubleOK: 0, Split: 0.01, Glue: 0.01},
		OnExecute: func(e Executed) { ran = append(ran, fmt.Sprintf("%d %s", e.Number, e.Text)) }}
	h := talk(t, o)
	h.heard(10 * time.Millisecond)
	h.send("M302 P1\nM83\n")
	h.heard(10 * time.Millisecond)
	s := stubborn{h: h}
	for i := range n {
		s.lines = append(s.lines, fmt.Sprintf("G1 X%d Y%d.5 E0.04", i%50, i%7))
	}
	if !s.run(n) {
		t.Fatal("the host gave up")
	}
	h.ask("M400", 5*time.Second)
	h.close()
	c := h.p.Truth().Faults
	var numberedLines []string
	for _, l := range ran {
		if !strings.HasPrefix(l, "-1 ") && !strings.Contains(l, "M105") {
			numberedLines = append(numberedLines, l)
		}
	}
	wrong := 0
	for i, l := range numberedLines {
		if i >= n || l != fmt.Sprintf("%d %s", i+1, s.lines[i]) {
			wrong++
		}
	}
	if len(numberedLines) != n || int64(wrong) != c.Undetected {
		t.Errorf("%d of %d numbered lines ran, %d differ, %d counted as undetected", len(numberedLines), n, wrong, c.Undetected)
	}
	if c.FlippedBits == 0 || c.LostBytes == 0 || c.LostLines == 0 || c.Bursts == 0 || c.LostReplies == 0 || c.Split == 0 || c.Glued == 0 {
		t.Errorf("a fault that was ordered did not come: %+v", c)
	}
}

func TestSameSeedSameFaults(t *testing.T) {
	run := func() (c FaultCount) {
		synctest.Test(t, func(t *testing.T) {
			h := talk(t, Options{Seed: 9, Pace: 1e4, Faults: Faults{Flip: 1e-3, LoseByte: 1e-3}})
			h.heard(time.Millisecond)
			for i := range 200 {
				h.send(numbered(i+1, "M118 x") + "\n")
			}
			h.heard(time.Second)
			h.close()
			c = h.p.Truth().Faults
			// What the firmware makes of it depends on what had arrived by then.
			c.Undetected, c.Unverified = 0, 0
		})
		return c
	}
	if a, b := run(), run(); a != b {
		t.Errorf("%+v\n%+v", a, b)
	}
}

func TestEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{AllOptions: true, Faults: Faults{SilenceFor: 3 * time.Second,
			Events: []FaultEvent{{Kind: FaultSilence, Line: 2}, {Kind: FaultReset, Line: 5}, {Kind: FaultOpen, At: 20 * time.Second}}}})
		defer h.close()
		h.heard(100 * time.Millisecond)
		if got := h.ask("M118 one", 100*time.Millisecond); len(got) != 2 {
			t.Errorf("before: %q", got)
		}
		h.ask("M118 two", 100*time.Millisecond)
		if got := h.ask("M118 three", 2*time.Second); len(got) != 0 {
			t.Errorf("in silence: %q", got)
		}
		if got := h.ask("M118 four", 3*time.Second); len(got) == 0 {
			t.Error("silence did not end")
		}
		if got := h.ask("M118 five", time.Second); !strings.Contains(strings.Join(got, "\n"), "five\r\nstart\nPowerUp") {
			t.Errorf("no reset: %q", got)
		}
		h.ask("M104 S200", time.Second)
		if got := strings.Join(h.heard(20*time.Second), "\n"); !strings.Contains(got, "MINTEMP") {
			t.Errorf("sensor open: %q", got)
		}
		for _, s := range h.p.Heaters() {
			if s.TargetC != 0 || s.Duty != 0 {
				t.Errorf("after a halt: %+v", s)
			}
		}
	})
}
