package dispatch

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
)

func TestClearedWhileStillWarm(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		jobs := h.add(quick("wing"), 2, nil)
		h.cleared("Bittern")
		sleep(62 * time.Second)
		b.hot()
		b.end(fleet.Finished, "")
		sleep(time.Second)
		if s := b.Snapshot(); s.Phase != fleet.Cooling {
			t.Fatalf("%s after its run", s.Phase)
		}
		sleep(time.Hour)
		if b.started() != 1 {
			t.Fatal("started on a plate that nobody cleared")
		}
		h.cleared("Bittern")
		sleep(30 * time.Second)
		if v := h.view("Bittern"); v.WaitsFor != "countdown" || b.started() != 1 {
			t.Errorf("waits for %q: %s; %d started", v.WaitsFor, v.Why, b.started())
		}
		sleep(32 * time.Second)
		if b.started() != 2 {
			t.Errorf("did not start while it cools: %s", h.view("Bittern").Why)
		}
		h.want(jobs[1].ID, queue.Running)
	})
}

func TestHeldRuns(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		if err := h.Pause(ctx, "Bittern"); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("pause of nothing: %v", err)
		}
		if err := h.Loaded(ctx, "Bittern", nil, Fit{}); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("loaded for nothing: %v", err)
		}
		if err := h.Resume(ctx, "Heron"); !errors.Is(err, queue.ErrNotFound) {
			t.Errorf("resume of nobody: %v", err)
		}
		h.add(quick("wing"), 1, nil)
		h.cleared("Bittern")
		sleep(62 * time.Second)
		b.hot()
		if err := h.Pause(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		colour := "moss"
		if err := h.Loaded(ctx, "Bittern", nil, Fit{Colour: &colour}); err != nil {
			t.Fatal(err)
		}
		if v := h.view("Bittern"); v.Machine.Spool.Colour != "moss" || strings.Join(b.went, " ") != "loaded" {
			t.Errorf("%+v, went on by %v", v.Machine.Spool, b.went)
		}
		if err := h.Pause(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
		if err := h.Resume(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
	})
}

// A run that was let cool heats again only within its circuit's watts.
func TestHeldRunWaitsForWatts(t *testing.T) {
	circuit := func(o *Options) {
		o.Circuits = []power.Circuit{{Name: "left", Volts: 120, BreakerA: 15, StandingW: 970}} // 470 W
		loads(o.Machines, "left", power.Load{HeatingW: 279, SteadyW: 190})
	}
	in(t, []string{"Bittern", "Curlew"}, circuit, func(t *testing.T, h *house) {
		b, c := h.f.all["Bittern"], h.f.all["Curlew"]
		b.mayHeat = h.MayHeat
		h.add(quick("wing"), 2, nil)
		h.cleared("Bittern")
		sleep(62 * time.Second)
		b.hot()
		sleep(time.Second)
		_ = h.Pause(ctx, "Bittern")
		b.set(func(s *fleet.Snapshot) {
			held := *s.Hold
			held.Cooled = true
			run := *s.Run
			run.Hot = false
			s.Hold, s.Run = &held, &run
		})
		h.cleared("Curlew")
		sleep(62 * time.Second)
		if c.started() != 1 {
			t.Fatalf("Curlew: %s", h.view("Curlew").Why)
		}
		err := h.Resume(ctx, "Bittern")
		if !errors.Is(err, queue.ErrConflict) || !strings.Contains(fmt.Sprint(err), "W left") {
			t.Fatalf("heats although Curlew heats: %v", err)
		}
		c.hot()
		sleep(time.Second)
		if err := h.Resume(ctx, "Bittern"); err != nil {
			t.Fatal(err)
		}
	})
}

func TestEmergencyIsRecorded(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		b := h.f.all["Bittern"]
		job := h.add(quick("wing"), 1, nil)[0]
		h.cleared("Bittern")
		sleep(62 * time.Second)
		b.deaf = fmt.Errorf("Bittern: not confirmed: %w", fleet.ErrNoLink)
		if err := h.Emergency(ctx, "Bittern", "smoke"); !errors.Is(err, queue.ErrUnavailable) {
			t.Errorf("an unconfirmed stop: %v", err)
		}
		sleep(time.Second)
		h.want(job.ID, queue.NeedsDecision)
	})
}
