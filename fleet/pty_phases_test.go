//go:build linux

package fleet_test

import (
	"context"
	"testing"
	"time"

	"undercroft/fleet"
)

// The cable is pulled and put back in each phase, over a real pseudo-terminal:
// what happens at once, how a run ends, and where the printer comes to rest.
func TestRealLinkUnpluggedInEachPhase(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	t.Parallel()
	ctx := context.Background()
	cases := []struct {
		at, then, rest fleet.Phase
	}{
		{fleet.Ready, fleet.Absent, fleet.Ready},
		{fleet.Warming, fleet.Absent, fleet.Ready},
		{fleet.Printing, fleet.Absent, fleet.Ready},
		{fleet.Paused, fleet.Absent, fleet.Ready},
		{fleet.Cooling, fleet.Absent, fleet.Ready},
		{fleet.Lent, fleet.Lent, fleet.Lent},
	}
	names := make([]string, len(cases))
	for i, k := range cases {
		names[i] = "at-" + string(k.at)
	}
	c := newCellar(t, names, nil, nil)
	for i, k := range cases {
		name, p := names[i], c.f.Printer(names[i])
		c.awaitPhase(name, fleet.Ready, 30*time.Second)
		var out <-chan fleet.Outcome
		var j records
		switch k.at {
		case fleet.Ready:
		case fleet.Lent:
			if err := p.Lend(ctx); err != nil {
				t.Fatal(err)
			}
		default:
			r, _ := lantern(400, &j)
			out = c.start(name, r)
			if k.at == fleet.Warming {
				break // before a report can have shown what was set
			}
			c.await(name, time.Minute, "two layers high", func(s fleet.Snapshot) bool { return s.Run != nil && s.Run.LayersDone >= 2 })
			var err error
			switch k.at {
			case fleet.Paused:
				err = p.Pause(ctx)
			case fleet.Cooling:
				err = p.Stop(ctx, "to see it cool")
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		c.awaitPhase(name, k.at, 20*time.Second)
		m := c.machine(name)
		m.sim.Unplug()
		c.await(name, 20*time.Second, string(k.then)+" without a link", func(s fleet.Snapshot) bool { return s.Phase == k.then && s.Link.Phase == "closed" })
		if out != nil {
			o := c.outcome(out, 20*time.Second)
			want := "port-lost"
			if k.at == fleet.Cooling {
				want = "to see it cool"
			}
			if o.Cause != want || o.LayersDone > j.len() {
				t.Errorf("%s: ended by %s with %d layers, %d recorded", k.at, o.Cause, o.LayersDone, j.len())
			}
		}
		m.sim.Replug(nil)
		began := time.Now()
		s := c.awaitPhase(name, k.rest, 30*time.Second)
		for _, h := range s.Link.Heaters {
			if h.TargetC > 0 {
				t.Errorf("%s: at rest, and heated: %+v", k.at, h)
			}
		}
		t.Logf("unplugged while %s: %s, back to %s %.1f s after the cable", k.at, k.then, k.rest, time.Since(began).Seconds())
	}
}
