package fleet

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"undercroft/fleet/link"
)

// ending is how a run is to end.
type ending struct {
	result Result
	cause  string
	text   string
	line   int64 // file line in hand, 0: as the link says

	asker *request // who wants to know when it is over
}

const (
	// A long command on its way (heat-and-wait, a prompt) keeps the stop waiting;
	// every so often, house time, it is asked to give way.
	nudgeEvery = 5 * time.Second
	leastNudge = time.Second // real time
	mostNudges = 6
	// Turning the heaters off and parking: moves and a few answers.
	offLimit = 60 * time.Second
	// On a second signal.
	hurryLimit = 2 * time.Second
	// How long a stop waits for what is on its way, house time: a firmware that
	// changes filament heats the nozzle again before it lets go.
	drainLimit = 5 * time.Minute
	leastDrain = 15 * time.Second // real time
)

// wind ends the run in order: nothing more is sent, what is on its way is
// awaited, heaters off, park, outcome. It is part of the phase in which it was
// called and has a select of its own.
func (l *loop) wind(e ending) Phase {
	l.dropErrand()
	if e.line == 0 {
		e.line = l.lineInHand()
	}
	l.why = "ending the run: " + e.text
	l.publish()
	l.log.Info("ending the run", "run", l.run.ID, "result", e.result, "cause", e.cause)
	l.c.Abort()
	l.look()
	l.quickStop(e.result)

	patience := max(l.f.o.real(drainLimit), leastDrain)
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	nudge := time.NewTicker(max(l.f.o.real(nudgeEvery), leastNudge))
	defer nudge.Stop()
	var off *errand
	nudges := 0
	// Hurry means something only once the fleet shuts down.
	quit, hurry := l.quit, (<-chan struct{})(nil)

	turnOff := func(limit time.Duration, parking bool) {
		deadline.Stop()
		a := l.run
		homed, top, hot := a.reach.homed, a.laidUpTo(l.lineInHand()), canExtrude(l.st.Heaters)
		away := a.hold.off // it waits beside the piece already
		l.send(limit, func(ctx context.Context, c conn) error {
			if err := heatersOff(ctx, c); err != nil {
				return err
			}
			if !parking {
				return nil
			}
			if err := park(ctx, c, l.spec, &a.Run, homed, away, hot, top); err != nil {
				l.log.Warn("parking failed", "err", err)
				return nil
			}
			if err := runGCode(ctx, c, l.spec.EndGCode, homed); err != nil {
				l.log.Warn("the owner's end of a run failed", "err", err)
			}
			return nil
		}, func(err error) (Phase, bool) { return l.wound(e, err), true })
		off = l.errand
	}

	for {
		if l.st.Phase == link.Failed || l.st.Phase == link.Closed {
			l.dropErrandSilently()
			return l.brokenWhile(e)
		}
		if off == nil && l.st.Phase == link.Idle {
			l.dropErrandSilently()
			turnOff(offLimit, true)
		}
		select {
		case <-l.news():
			l.looked()
			l.look()
			l.quickStop(e.result)
		case <-l.rest.C:
			l.idle = false
		case <-l.tick.C:
			l.look()
		case <-l.back():
			if l.errand == off {
				l.look()
				next, _ := l.received()
				return next
			}
			l.received()
		case <-nudge.C:
			// Where there is no emergency parser it waits its turn and does nothing.
			// Without a question a few are enough: each fills the buffer until the
			// machine takes it.
			if cmd, _ := l.prompt.Answer(); cmd == "" {
				nudges++
			}
			if off == nil && l.errand == nil && nudges <= mostNudges {
				l.answerPrompt(false, func(error) (Phase, bool) { return "", false })
			}
		case <-deadline.C:
			text := fmt.Sprintf("%s. The machine did not take the stop within %s. %s", e.text, patience, l.emergency())
			e.text = text
			l.deliver(e)
			l.answer(e, l.errorf(ErrNoLink, "%s %s", text, afterHalt))
			return l.fault(text + " " + afterHalt)
		case r := <-l.p.requests:
			l.took(r)
			if r.verb == doEmergency {
				l.dropErrandSilently()
				l.answer(e, l.errorf(ErrNotNow, "an emergency stop came in between"))
				return l.emergencyBy(r)
			}
			if r.verb == doStop || r.verb == doCool {
				l.refuse(r, ErrNotNow, "the run is being ended already")
			} else {
				l.refuse(r, ErrNotNow, "a run is being ended; wait a moment")
			}
		case <-quit:
			l.stopped = true
			quit, hurry = nil, l.hurry
		case <-hurry:
			hurry = nil
			l.dropErrandSilently()
			turnOff(hurryLimit, false)
		}
	}
}

// lineInHand is the file line of the newest command sent.
func (l *loop) lineInHand() int64 { return max(l.st.SentLine, l.run.reach.line) }

// quickStop drops the moves that a firmware with an emergency parser has
// planned: it knows where it stopped. Lines that it had taken in but not planned
// come to the planner after that, so it is told again once all are accepted.
// What counts as laid is settled before: an accepted move may not be executed now.
// A homing must not be cut short: where the axes stand would be lost.
func (l *loop) quickStop(r Result) {
	a := l.run
	if r == Interrupted || !a.reach.homed || !l.st.Identity.Caps["EMERGENCY_PARSER"] || l.st.Phase != link.Streaming || l.errand != nil || a.quick > 1 {
		return
	}
	if a.quick == 1 && l.st.Accepted < l.st.Sent {
		return
	}
	a.quick++
	a.settled = true
	l.send(promptLimit, func(ctx context.Context, c conn) error {
		_, err := c.Do(ctx, "M410")
		return err
	}, func(error) (Phase, bool) { return "", false })
}

// emergencyBy stops the machine at once because a person wants it.
func (l *loop) emergencyBy(r *request) Phase {
	l.dropErrandSilently()
	cause := clip(r.cause, 500)
	if cause == "" {
		cause = "emergency stop"
	}
	parser, known := l.st.Identity.Caps["EMERGENCY_PARSER"]
	confirmed := l.c.EmergencyStop()
	text := "emergency stop by a person: " + cause + ". "
	switch {
	case confirmed == nil:
		text += "The firmware confirmed that it halted"
		l.owe(nil)
	case known && !parser:
		text += "It is NOT confirmed: this firmware obeys only when it comes to the line. Pull the plug"
	default:
		text += "It is NOT confirmed (" + clip(confirmed.Error(), 200) + "). Pull the plug"
	}
	if l.run != nil {
		l.deliver(ending{result: Cancelled, cause: "emergency-stop", text: text})
	}
	l.later = append(l.later, func() {
		if confirmed != nil {
			r.answer(nil, l.errorf(ErrNoLink, "%s", text))
			return
		}
		r.answer(nil, nil)
	})
	return l.fault(text + ". " + afterHalt)
}

// wound is the end of wind: the heaters are off, or could not be turned off.
func (l *loop) wound(e ending, err error) Phase {
	if err == nil {
		l.deliver(e)
		l.answer(e, nil)
		l.owe(nil)
		return l.to(Cooling, "the run was ended: "+e.text)
	}
	if l.st.Phase == link.Failed || errors.Is(err, context.Canceled) {
		return l.brokenWhile(e)
	}
	e.text = fmt.Sprintf("%s. Its heaters could not be confirmed off (%v). %s", e.text, err, l.emergency())
	l.deliver(e)
	l.answer(e, l.errorf(ErrNoLink, "%s %s", e.text, afterHalt))
	return l.fault(e.text + " " + afterHalt)
}

// answer tells whoever asked for the ending how it went.
func (l *loop) answer(e ending, err error) {
	if e.asker != nil {
		l.later = append(l.later, func() { e.asker.answer(nil, err) })
	}
}

// broken ends the run after the link failed.
func (l *loop) broken() Phase {
	f := l.st.Fault
	if f == nil {
		f = &link.Fault{Cause: link.CausePortLost, Text: "the port was closed"}
	}
	return l.breakOff(f, ending{result: Failed, cause: string(f.Cause), text: f.Text, line: f.Line})
}

// brokenWhile ends a run whose link failed while it was being ended: how it
// ends was decided before, what happens to the machine comes from the fault.
func (l *loop) brokenWhile(e ending) Phase {
	f := l.st.Fault
	if f == nil {
		f = &link.Fault{Cause: link.CausePortLost, Text: "the port was closed"}
	}
	e.text += ". Meanwhile the link failed: " + f.Text
	return l.breakOff(f, e)
}

func (l *loop) breakOff(f *link.Fault, e ending) Phase {
	text := strings.TrimRight(f.Text, ". ")
	over := func(next Phase, err error) Phase {
		l.deliver(e)
		l.answer(e, err)
		l.hangUp()
		return next
	}
	switch f.Cause {
	case link.CausePortLost:
		l.owe(l.owedNow())
		return over(l.to(Absent, "the port vanished in mid-run: "+clip(text, 200)),
			l.errorf(ErrNoLink, "the port vanished. If the machine may be hot, go there and switch it off at the plug"))
	case link.CauseHalted, link.CauseThermal:
		l.owe(nil)
		return over(l.to(Faulted, text+". "+afterHalt), nil)
	case link.CauseRebooted:
		l.owe(nil)
		return over(l.to(Faulted, text+". "+silentAdvice(f.Cause)), nil)
	case link.CauseSilent:
		// It may hear although it does not answer.
		text += ". " + l.emergency()
		return over(l.to(Faulted, text+" "+silentAdvice(f.Cause)), l.errorf(ErrNoLink, "%s %s", text, silentAdvice(f.Cause)))
	}
	// The machine is alive; only this run cannot go on. Its heaters are turned
	// off over what is left of the link, or else after it was opened anew.
	l.owe(l.owedNow())
	if f.Cause == link.CauseColdExtrusion {
		l.owedFault = text + ". Its heater or its sensor may have failed. " + afterHalt
	}
	ctx, cancel := context.WithTimeout(context.Background(), hurryLimit)
	defer cancel()
	c := l.c
	done := make(chan error, 1)
	l.wg.Go(func() {
		defer func() {
			if r := recover(); r != nil {
				done <- fmt.Errorf("the daemon failed inside: %v", r)
			}
		}()
		done <- heatersOff(ctx, c)
	})
	var err error
	select {
	case err = <-done:
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil {
		l.log.Info("heaters not turned off over the failed link; the port is opened anew for it", "err", err)
	}
	return over(l.to(Absent, text+"; opening the port anew"), nil)
}

// dropErrandSilently calls an errand off whose answer no longer matters.
func (l *loop) dropErrandSilently() {
	if e := l.errand; e != nil {
		e.then = func(error) (Phase, bool) { return "", false }
		l.dropErrand()
	}
}

// deliver ends the run: the one place from which an outcome comes. It is sent
// once the phase that follows can be seen.
func (l *loop) deliver(e ending) {
	a := l.run
	l.run, l.gave = nil, a.src.gave()
	a.close()
	line := e.line
	if line == 0 {
		line = max(l.st.SentLine, a.reach.line)
	}
	if e.result == Finished {
		line = max(line, a.Lines)
	}
	o := Outcome{
		RunID: a.ID, Result: e.result, Cause: e.cause, Text: e.text,
		StartedAt: a.started, EndedAt: l.now(), Line: line,
		LayersDone: a.layers, CompletedMM: a.completedMM(), InProgressMM: a.inProgressMM(),
		FilamentMM: sum(a.Layers, a.layers, a.reach.line, filamentMM),
		Commands:   a.reach.done, Resends: max(l.st.Resends-a.resends, 0), Heat: l.heat.samples(),
	}
	if e.result != Finished {
		o.Text = strings.TrimRight(e.text, ". ") + ". " + a.where(line)
	}
	l.log.Info("run ended", "run", a.ID, "result", o.Result, "cause", o.Cause, "line", o.Line,
		"layers", o.LayersDone, "completed_mm", o.CompletedMM)
	l.later = append(l.later, func() { a.out <- o })
}

// where says how far a run came.
func (a *active) where(line int64) string {
	switch {
	case len(a.Layers) == 0:
		return fmt.Sprintf("Line %d of %d was in hand.", line, a.Lines)
	case a.layers == 0:
		return fmt.Sprintf("No layer was complete; line %d of %d was in hand.", line, a.Lines)
	default:
		return fmt.Sprintf("%d of %d layers were certainly complete, up to %.2f mm; line %d of %d was in hand.",
			a.layers, len(a.Layers), a.completedMM(), line, a.Lines)
	}
}
