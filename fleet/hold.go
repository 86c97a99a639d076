package fleet

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

const (
	// What is on its way when a run is held may take as long as one long move.
	asideLimit = 15 * time.Minute
	// From cold a large bed takes most of an hour; the watch ends it before that
	// when nothing gets warmer.
	reheatLimit = 90 * time.Minute
	// Firmware refuses to move cold filament below 170 °C or so.
	extrudesAboveC = 175.0
)

// hold is why and since when a run is paused, and how it comes back.
type hold struct {
	by       Holder
	why      string
	filament bool // new filament is wanted
	runout   bool // because it ran out
	letGo    bool // the firmware said that it goes on
	since    time.Time
	house    time.Time
	accepted int64
	// answered is when a person let the firmware go on, house time; follows is how
	// many more of its questions that covers.
	answered time.Time
	follows  int

	step  HoldStep
	spot  spot
	hot   bool // the nozzle could extrude when it was held
	modal watch.Modal
	off   bool // it was moved off the piece
	// adrift: moving failed halfway, where the nozzle stands is not known.
	adrift bool
	// cooled are the targets that were lowered, to be set again.
	cooled map[string]float64
}

// holdRun is the way to paused. Whoever holds the run, nothing more of it is
// sent: a firmware that waits for a person with its buffers full could not be
// reached any more.
func (l *loop) holdRun(h hold) Phase {
	h.since, h.house, h.accepted, h.step = time.Now(), l.now(), l.st.Accepted, StepWaits
	l.run.hold = h
	l.run.pace.hold(l.now())
	l.c.Suspend()
	return l.to(Paused, h.why)
}

// stepAside brings the nozzle off the piece once what was on its way is done.
// Before homing nothing is moved.
func (l *loop) stepAside() {
	a := l.run
	if !a.reach.homed {
		return
	}
	h := &a.hold
	h.modal, h.hot = a.src.modal(l.st.Sent), canExtrude(l.st.Heaters)
	top := a.laidUpTo(l.lineInHand())
	h.step = StepParks
	var sp spot
	var moved atomic.Bool
	l.send(asideLimit, func(ctx context.Context, c conn) error {
		if _, err := c.Do(ctx, "M400"); err != nil {
			return err
		}
		at, err := position(ctx, c)
		if err != nil {
			return err
		}
		sp = waitingSpot(l.spec, &a.Run, at, top)
		away, _ := aside(sp, h.hot, 0, h.modal)
		moved.Store(true)
		return doAll(ctx, c, away)
	}, func(err error) (Phase, bool) {
		h.step = StepWaits
		h.spot, h.off = sp, err == nil
		if err != nil {
			l.log.Warn("the nozzle was not moved off the piece", "err", err)
			h.adrift = moved.Load()
		}
		return "", false
	})
}

// doAll sends commands one after the other. What empties the planner may take
// as long as the errand may.
func doAll(ctx context.Context, c conn, cmds []string) error {
	for _, cmd := range cmds {
		send := do
		if cmd == "M400" {
			send = func(ctx context.Context, c conn, cmd string) ([]string, error) { return c.Do(ctx, cmd) }
		}
		if _, err := send(ctx, c, cmd); err != nil {
			return err
		}
	}
	return nil
}

func canExtrude(heaters []link.Heater) bool {
	for _, h := range heaters {
		if isNozzle(h.Name) && h.TargetC > 0 && h.ActualC > extrudesAboveC {
			return true
		}
	}
	return false
}

func isNozzle(name string) bool { return name != "" && name[0] == 'T' }

// laidUpTo is the highest that the file has laid up to a line.
func (a *active) laidUpTo(line int64) float64 {
	top := 0.0
	for i, y := range a.Layers {
		if i > 0 && a.Layers[i-1].EndLine >= line {
			break
		}
		top = max(top, y.TopMM)
	}
	return top
}

// coolDown lowers the heat of a held run when the owner's time for that has come.
func (l *loop) coolDown() {
	h, w := &l.run.hold, l.spec.Waiting
	if h.by == ByFirmware || h.cooled != nil || l.errand != nil || w.NozzleC == nil && w.BedC == nil || l.now().Sub(h.house) < w.CoolsAfter {
		return
	}
	cooled := map[string]float64{}
	var cmds []string
	for _, t := range l.st.Heaters {
		to := w.NozzleC
		if t.Name == "B" {
			to = w.BedC
		}
		if to == nil || !isNozzle(t.Name) && t.Name != "B" || t.TargetC <= *to {
			continue
		}
		cooled[t.Name] = t.TargetC
		cmds = append(cmds, setTarget(t.Name, *to, l.st.Identity.Extruders))
		l.run.src.holdsAt(t.Name, *to)
	}
	if len(cmds) == 0 {
		return
	}
	h.cooled = cooled
	l.log.Info("the heat of a held run is lowered", "run", l.run.ID)
	l.send(30*time.Second, func(ctx context.Context, c conn) error { return doAll(ctx, c, cmds) }, func(err error) (Phase, bool) {
		if err != nil {
			l.log.Warn("the heat of a held run was not lowered", "err", err)
		}
		return "", false
	})
}

// setTarget is the command that gives a heater a target without waiting for it.
func setTarget(heater string, c float64, extruders int) string {
	switch {
	case heater == "B":
		return fmt.Sprintf("M140 S%g", c)
	case extruders > 1:
		return fmt.Sprintf("M104 %s S%g", heater, c)
	default:
		return fmt.Sprintf("M104 S%g", c)
	}
}

// canGoBack says why a held run cannot go on now, empty when it can.
func (l *loop) canGoBack() (string, error) {
	h := &l.run.hold
	switch {
	case h.adrift:
		return "where its nozzle stands is not known any more; stop the run", ErrNotNow
	case h.step == StepParks:
		return "it is still moving off the piece; wait a moment", ErrNotNow
	case h.step == StepHeats, h.step == StepReturns:
		return "it is going on already", ErrNotNow
	case len(h.cooled) > 0 && l.f.o.MayHeat != nil:
		if err := l.f.o.MayHeat(l.spec.Name); err != nil {
			return "it was let cool and may not heat again yet: " + err.Error(), ErrNotNow
		}
	}
	return "", nil
}

// waits says what a held run waits for, and what its firmware asks.
func (h *hold) waits(asks string) string {
	why := h.why
	switch {
	case h.step == StepParks:
		why += ". It is moving off the piece"
	case len(h.cooled) > 0:
		why += ". Its heat was lowered meanwhile"
	}
	if asks != "" {
		why += ". It asks: " + asks
	}
	return why
}

// goBack heats again what was let cool, primes, moves back over the piece, and
// lets the run go on.
func (l *loop) goBack(primeMM float64) {
	h := &l.run.hold
	h.letGo = false
	var heats []string
	for name, c := range h.cooled {
		heats = append(heats, setTarget(name, c, l.st.Identity.Extruders))
	}
	want := h.cooled
	var back []string
	if h.off {
		_, back = aside(h.spot, h.hot, primeMM, h.modal)
	}
	h.step = StepReturns
	l.why = "going back to the piece, then it goes on"
	if len(heats) > 0 {
		h.step = StepHeats
		l.why = "heating again, then it goes back to the piece and on"
	}
	var moved atomic.Bool
	l.send(reheatLimit, func(ctx context.Context, c conn) error {
		if err := doAll(ctx, c, heats); err != nil {
			return err
		}
		if err := awaitHeat(ctx, c, want); err != nil {
			return err
		}
		moved.Store(true)
		return doAll(ctx, c, back)
	}, func(err error) (Phase, bool) {
		h.step = StepWaits
		if err == nil {
			return l.goOn(), true
		}
		h.adrift = moved.Load() && len(back) > 0
		switch {
		case h.adrift:
			l.why = "paused; moving back to the piece failed (" + clip(err.Error(), 200) + "): stop the run"
		default:
			l.why = h.why
		}
		return "", false
	})
}

// awaitHeat waits until reports show that every heater is there.
func awaitHeat(ctx context.Context, c conn, want map[string]float64) error {
	for {
		there := true
		for _, t := range c.State().Heaters {
			if w, ok := want[t.Name]; ok && t.ActualC < w-nearTargetC {
				there = false
			}
		}
		if there {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("it did not become warm again: %w", ctx.Err())
		case <-time.After(lookEvery):
		}
	}
}

// A firmware that says nothing when it goes on shows it by accepting commands.
// Those that were on their way when it paused are accepted soon after.
const pauseSettles = 10 * time.Second

func (l *loop) resumed() bool {
	h := &l.run.hold
	if h.letGo {
		return !h.adrift
	}
	if h.by != ByFirmware {
		return false
	}
	if time.Since(h.since) < pauseSettles {
		h.accepted = l.st.Accepted
		return false
	}
	return l.st.Accepted > h.accepted && !watch.WaitsForPerson(l.st.Busy)
}

// goOn is the way out of paused with the run alive.
func (l *loop) goOn() Phase {
	a := l.run
	called := a.hold.by == ByFile
	a.hold = hold{}
	a.pace.goOn(l.now())
	if called {
		// The link has ended its stream at the call: the rest is another one.
		a.src.goOn()
		if err := l.c.Stream(a.src); err != nil {
			return l.wind(ending{result: Failed, cause: string(link.CauseInternal), text: fmt.Sprintf("the link does not take the rest of the file (%v)", err)})
		}
		l.look()
	} else {
		l.c.Resume()
	}
	if a.hot {
		return l.to(Printing, "printing "+a.name())
	}
	return l.to(Warming, "warming up for "+a.name())
}

// held is the hold as the snapshot shows it.
func (l *loop) held() *Held {
	h := &l.run.hold
	return &Held{
		By: h.by, Since: h.house, Filament: h.filament, Step: h.step, Cooled: len(h.cooled) > 0,
		Asks: l.prompt.Question(), Buttons: l.prompt.Choices(),
	}
}
