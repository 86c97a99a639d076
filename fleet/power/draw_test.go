package power

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// machine is a virtual printer's heaters: what they truly draw at each instant.
type machine struct {
	load  Load
	state string // off, heating, hot, let go (after a pause of its firmware), again (reheating by itself)
	asked time.Time
	waits bool
	took  bool // its lease is one that its firmware took
}

func (m *machine) drawsW() float64 {
	switch m.state {
	case "heating", "again":
		return m.load.HeatingW
	case "hot":
		return m.load.SteadyW
	}
	return 0
}

// Over random fleets and orders of events, resumes and reheats included: what the
// heaters truly draw stays within the leases, the leases within the limit but for
// what a firmware takes by itself, nothing new starts on a circuit that is over,
// and nobody starves.
func TestHeatersDrawNoMoreThanIsLeased(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Circuit{Name: "vault", Volts: 230, BreakerA: rapid.Float64Range(6, 20).Draw(t, "amperes"), StandingW: rapid.Float64Range(0, 300).Draw(t, "standing")}
		now := time.Unix(0, 0)
		var held []Lease
		fleet := make([]*machine, rapid.IntRange(1, 12).Draw(t, "printers"))
		name := func(i int) string { return fmt.Sprintf("P%02d", i) }
		for i := range fleet {
			h := rapid.Float64Range(80, 900).Draw(t, "heating")
			fleet[i] = &machine{load: Load{h, rapid.Float64Range(20, h).Draw(t, "steady")}, state: "off"}
		}
		over := func() bool { return SumW(held) > c.LimitW()+slackW }
		check := func(what string) {
			draws, taken := 0.0, false
			for i, m := range fleet {
				draws += m.drawsW()
				taken = taken || m.took
				for _, l := range held {
					if l.Printer == name(i) && m.drawsW() > l.W+slackW {
						t.Fatalf("after %s: %s draws %g W of %g W leased", what, l.Printer, m.drawsW(), l.W)
					}
				}
			}
			if draws > SumW(held)+slackW {
				t.Fatalf("after %s: %g W are drawn, %g W leased", what, draws, SumW(held))
			}
			if over() && !taken {
				t.Fatalf("after %s: %g W are leased of %g W, and no firmware took them", what, SumW(held), c.LimitW())
			}
		}
		serve := func() {
			for {
				var asks []Ask
				for i, m := range fleet {
					if m.waits {
						asks = append(asks, Ask{name(i), m.load, m.asked})
					}
				}
				was := over()
				k, ok, _ := Next(c, held, asks, now)
				if !ok {
					return
				}
				if was {
					t.Fatal("a heat-up began on a circuit that is over its limit")
				}
				held, _ = Grant(c, held, asks[k].Printer, asks[k].Load)
				for i, m := range fleet {
					if name(i) == asks[k].Printer {
						m.state, m.waits = "heating", false
					}
				}
				check("a heat-up")
			}
		}
		act := func(i int, what string) {
			m := fleet[i]
			switch {
			case what == "ask" && m.state == "off" && !m.waits:
				m.waits, m.asked = true, now
			case what == "hot" && (m.state == "heating" || m.state == "again"):
				m.state = "hot" // it draws less before the lease is lowered
				check(what)
				held = Relax(held, name(i), m.load)
				m.took = false
			case what == "let go" && m.state == "hot":
				m.state = "let go"
			case what == "again" && m.state == "let go":
				held, _ = Take(c, held, name(i), m.load)
				m.state, m.took = "again", true
			case what == "end" && m.state != "off":
				m.state = "off"
				check(what)
				held = Release(held, name(i))
				m.took = false
			}
			check(what)
			serve()
		}
		for range rapid.IntRange(1, 120).Draw(t, "events") {
			now = now.Add(time.Duration(rapid.IntRange(0, 900).Draw(t, "wait")) * time.Second)
			act(rapid.IntRange(0, len(fleet)-1).Draw(t, "printer"), rapid.SampledFrom([]string{"ask", "hot", "let go", "again", "end"}).Draw(t, "event"))
		}
		// Runs end one by one, and others ask all the while: whoever fits at all is served.
		for i, m := range fleet {
			for k := 0; m.waits && m.load.HeatingW <= c.LimitW() && k < 4*len(fleet)+4; k++ {
				now = now.Add(Patience)
				for j := range fleet {
					if j != i && fleet[j].state != "off" {
						act(j, "end")
						act(j, "ask")
						break
					}
				}
				serve()
			}
			if m.waits && m.load.HeatingW <= c.LimitW() {
				t.Fatalf("%s with %g W of %g W is never served", name(i), m.load.HeatingW, c.LimitW())
			}
		}
	})
}

func TestTakeSaysWhenTheCircuitIsOver(t *testing.T) {
	c := Circuit{Name: "vault", Volts: 230, BreakerA: 10} // 1840 W at 0.8
	l := Load{HeatingW: 980, SteadyW: 310}
	held, a := Grant(c, nil, "Merel", l)
	held = Relax(held, "Merel", l)
	held, b := Grant(c, held, "Bittern", l)
	if !a.OK || !b.OK {
		t.Fatal(a, b)
	}
	held, over := Take(c, held, "Merel", l)
	if !over || SumW(held) != 1960 {
		t.Errorf("over %v at %g W", over, SumW(held))
	}
	if x := CanHeat(c, held, "Curlew", Load{HeatingW: 1, SteadyW: 1}); x.OK || x.Never {
		t.Errorf("%+v", x)
	}
	if held = Relax(held, "Bittern", l); SumW(held) != 1290 {
		t.Errorf("%g W after one is hot", SumW(held))
	}
}
