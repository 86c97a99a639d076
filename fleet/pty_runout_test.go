//go:build linux

package fleet_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/sim"
)

// A machine with a runout sensor pauses by itself; nobody comes, and the run
// ends with its height. A person who loads filament makes it go on.
func TestRealLinkRunout(t *testing.T) {
	t.Parallel()
	full := func(_ string, o *sim.Options) { o.AllOptions = true }
	c := newCellar(t, []string{"Egret", "Merel"}, func(o *fleet.Options) {
		o.Specs[0].RunoutFails = 8 * time.Minute
	}, full)
	var j, j2 records
	out, r, want := midway(c, "Egret", &j, 5)
	c.machine("Egret").sim.SetFilament(false)
	s := c.awaitPhase("Egret", fleet.Paused, 20*time.Second)
	if !strings.Contains(s.Why, "filament ran out") {
		t.Errorf("why %q", s.Why)
	}
	o := c.outcome(out, 60*time.Second)
	if o.Result != fleet.Failed || o.Cause != "runout" {
		t.Errorf("%s %s: %s", o.Result, o.Cause, o.Text)
	}
	if is := truth(c.machine("Egret").executed(), want, r); o.LayersDone > is || o.LayersDone < is-2 {
		t.Errorf("recorded %d layers, the machine executed %d", o.LayersDone, is)
	}
	s = c.await("Egret", 30*time.Second, "at rest", func(s fleet.Snapshot) bool { return s.Phase == fleet.Ready || s.Phase == fleet.Faulted })
	t.Log(s.Phase, s.Why)

	r2, want2 := lantern(60, &j2)
	out2 := c.start("Merel", r2)
	c.await("Merel", time.Minute, "some layers high", func(s fleet.Snapshot) bool { return s.Run != nil && s.Run.LayersDone >= 5 })
	c.machine("Merel").sim.SetFilament(false)
	c.awaitPhase("Merel", fleet.Paused, 20*time.Second)
	c.machine("Merel").sim.SetFilament(true)
	// Said once: it covers all that the firmware asks on the way.
	if err := c.f.Printer("Merel").Loaded(context.Background()); err != nil {
		t.Fatal(err)
	}
	c.await("Merel", time.Minute, "printing again", func(s fleet.Snapshot) bool { return s.Phase == fleet.Printing })
	if o := c.outcome(out2, time.Minute); o.Result != fleet.Finished || o.LayersDone != 60 {
		t.Errorf("after the new filament: %s %s", o.Result, o.Text)
	}
	if got := fromFile(c.machine("Merel").executed(), want2); strings.Join(got, "\n") != strings.Join(want2, "\n") {
		t.Error("after the new filament the rest of the file was not executed line for line")
	}
}
