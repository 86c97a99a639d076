package fleet

import (
	"context"
	"errors"
	"fmt"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

// warming lasts until the run's first temperatures are reached.
func (l *loop) warming() Phase {
	for {
		l.look()
		if next, leave := l.judgeRun(); leave {
			return next
		}
		if l.run.hot {
			return l.to(Printing, "printing "+l.run.name())
		}
		if next, leave := l.awaitRun(nil); leave {
			return next
		}
	}
}

// printing lasts until the run ends or is held.
func (l *loop) printing() Phase {
	for {
		l.look()
		if next, leave := l.judgeRun(); leave {
			return next
		}
		if next, leave := l.awaitRun(nil); leave {
			return next
		}
	}
}

// paused lasts until whoever holds the run lets it go on, or it is ended.
func (l *loop) paused() Phase {
	h := &l.run.hold
	if h.by != ByFirmware {
		l.stepAside()
	}
	var fails <-chan time.Time
	for {
		if (h.step == StepWaits || h.step == StepParks) && !h.adrift {
			l.why = h.waits(l.prompt.Words())
		}
		l.look()
		if next, leave := l.judgeRun(); leave {
			return next
		}
		if l.resumed() && l.errand == nil {
			if h.by == ByFirmware {
				return l.goOn()
			}
			if no, _ := l.canGoBack(); no != "" {
				h.letGo = false
				h.why = "the machine wants to go on, but " + no
			} else {
				l.goBack(l.spec.Waiting.PrimeMM)
			}
		}
		l.coolDown()
		l.followUp()
		if h.runout && fails == nil && l.spec.RunoutFails > 0 {
			t := time.NewTimer(l.f.o.real(l.spec.RunoutFails))
			defer t.Stop()
			fails = t.C
		}
		if next, leave := l.awaitRun(fails); leave {
			return next
		}
	}
}

// awaitRun is the select of the three phases of a run. fails ends a run that
// waits for filament.
func (l *loop) awaitRun(fails <-chan time.Time) (Phase, bool) {
	select {
	case <-l.news():
		l.looked()
	case <-l.rest.C:
		l.idle = false
	case <-l.tick.C:
	case <-l.back():
		return l.received()
	case r := <-l.p.requests:
		l.took(r)
		return l.runRequest(r)
	case <-fails:
		return l.wind(ending{result: Failed, cause: "runout",
			text: fmt.Sprintf("filament ran out and nobody loaded any within %s", inWords(l.spec.RunoutFails))}), true
	case <-l.quit:
		next := l.wind(ending{result: Interrupted, cause: "shutdown", text: "the daemon was shut down"})
		l.stopped = true
		return next, true
	}
	return "", false
}

func (l *loop) runRequest(r *request) (Phase, bool) {
	a := l.run
	switch r.verb {
	case doStop:
		cause := clip(r.cause, 500)
		if cause == "" {
			cause = "stopped"
		}
		return l.wind(ending{result: Cancelled, cause: cause, text: "stopped by a person: " + cause, asker: r}), true
	case doCool:
		return l.wind(ending{result: Cancelled, cause: "cooled", text: "stopped by a person, who had all heaters turned off", asker: r}), true
	case doEmergency:
		return l.emergencyBy(r), true
	case doPause:
		switch {
		case l.phase != Paused:
			r.answer(nil, nil)
			return l.holdRun(hold{by: ByPerson, why: "paused by a person. Resume or stop it"}), true
		case a.hold.step == StepHeats:
			l.dropErrand() // it stays where it waits
			r.answer(nil, nil)
		default:
			l.refuse(r, ErrNotNow, "it is paused: %s", l.why)
		}
	case doResume, doLoaded:
		if l.phase != Paused {
			l.refuse(r, ErrNotNow, "it is not paused")
			break
		}
		if a.hold.by != ByFirmware && a.hold.step == StepParks && r.verb == doResume {
			a.hold.letGo = true // once it is off the piece
			r.answer(nil, nil)
			break
		}
		if a.hold.by != ByFirmware {
			if no, kind := l.canGoBack(); no != "" {
				l.refuse(r, kind, "%s", no)
				break
			}
			prime := l.spec.Waiting.PrimeMM
			if r.verb == doLoaded {
				prime = max(prime, l.spec.Waiting.PurgeMM)
			}
			l.goBack(prime)
			r.answer(nil, nil)
			break
		}
		a.hold.answered, a.hold.follows = l.now(), mostFollows
		l.answerPrompt(true, func(err error) (Phase, bool) {
			if err != nil {
				l.refuse(r, ErrNotNow, "the machine did not take the answer (%v); confirm at its panel", err)
			} else {
				r.answer(nil, nil)
			}
			return "", false
		})
	case doStart:
		l.refuse(r, ErrNotNow, "it is %s %s", l.phase, a.name())
	default:
		l.refuse(r, ErrNotNow, "it is %s %s; stop that first", l.phase, a.name())
	}
	return "", false
}

// judgeRun looks for what ends or holds the run.
func (l *loop) judgeRun() (Phase, bool) {
	a := l.run
	switch l.st.Phase {
	case link.Failed, link.Closed:
		return l.broken(), true
	}
	if call := a.reach.call; call != nil && l.phase != Paused {
		return l.holdRun(hold{by: ByFile, filament: call.filament, why: call.why()}), true
	}
	if a.reach.finished {
		l.deliver(ending{result: Finished})
		return l.to(Cooling, "the run is finished"), true
	}
	if v, bad := l.worst(watch.EndRun); bad {
		if v.Action == watch.Halt {
			text := v.Text + ". " + l.emergency()
			l.deliver(ending{result: Failed, cause: string(v.Cause), text: text})
			return l.fault(text + " " + afterHalt), true
		}
		return l.wind(ending{result: Failed, cause: string(v.Cause), text: v.Text}), true
	}
	asks := l.asks
	l.asks = nil
	for _, q := range asks {
		switch q.what {
		case watch.AskCancel:
			return l.wind(ending{result: Cancelled, cause: "machine-cancel", text: "cancelled at the machine"}), true
		case watch.AskCold:
			return l.wind(ending{result: Failed, cause: string(link.CauseColdExtrusion),
				text: "the firmware refused to extrude (" + q.text + "): nothing comes out"}), true
		case watch.AskPause:
			if l.phase != Paused {
				return l.holdRun(hold{by: ByMachine, why: "the machine asked for a pause" + reason(q.text) + ". Look at it, then resume or stop"}), true
			}
		case watch.AskRunoutPause:
			if l.phase != Paused {
				return l.holdRun(hold{by: ByMachine, runout: true, filament: true, why: runoutHeldWhy}), true
			}
			a.hold.runout, a.hold.filament = true, true
			if a.hold.by != ByFirmware {
				a.hold.why = runoutHeldWhy
			}
		case watch.AskRunout:
			if l.phase != Paused {
				return l.holdRun(hold{by: ByFirmware, runout: true, filament: true, why: runoutWhy}), true
			}
			a.hold.runout, a.hold.filament, a.hold.why = true, true, runoutWhy
		case watch.AskPaused:
			if l.phase != Paused {
				return l.holdRun(hold{by: ByFirmware, why: "the machine paused and waits for a person" + reason(q.text) + ". Confirm at its panel, or resume here"}), true
			}
		case watch.AskResume:
			a.hold.letGo = a.hold.letGo || l.phase == Paused
		case watch.AskResumed:
			// What the firmware goes on with by itself is its own pause, not a person's.
			a.hold.letGo = a.hold.letGo || l.phase == Paused && a.hold.by == ByFirmware
		}
	}
	if watch.WaitsForPerson(l.st.Busy) && l.phase != Paused {
		return l.holdRun(hold{by: ByFirmware, why: "the machine waits for a person. Confirm at its panel, or resume here"}), true
	}
	return "", false
}

const (
	runoutWhy     = "filament ran out: load more at the machine and confirm at its panel, or say here that it is loaded"
	runoutHeldWhy = "filament ran out: load more, then say that it is loaded"
)

func reason(text string) string {
	if text == "" {
		return ""
	}
	return " (" + text + ")"
}

// An answer acts at once, but its ok comes only when what it let go on is over.
const promptLimit = 500 * time.Millisecond

// answerPrompt answers the question that a firmware waits with. Nothing but an
// answer gets through to it then, so none is wasted: each question is answered
// once, or again when a person says so. A firmware that asks nothing may wait
// for heat, which M108 breaks off.
func (l *loop) answerPrompt(again bool, then func(error) (Phase, bool)) {
	cmd, fresh := l.prompt.Answer()
	switch {
	case cmd == "":
		cmd = "M108"
	case !fresh && !again:
		return
	}
	l.prompt.Answered()
	l.send(promptLimit, func(ctx context.Context, c conn) error {
		if _, err := c.Do(ctx, cmd); err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return err
		}
		return nil
	}, then)
}

// A filament change asks several things one after the other: to heat again, to
// go on when it is hot, whether to purge more. A person who said that the reel is
// in has answered them all, unless they come much later or without an end.
const (
	mostFollows = 4
	followFor   = 15 * time.Minute // house time
)

// followUp answers what a firmware asks on the way that a person has sent it.
func (l *loop) followUp() {
	h := &l.run.hold
	if h.by != ByFirmware || h.follows == 0 || l.errand != nil || l.now().Sub(h.answered) > followFor {
		return
	}
	if cmd, fresh := l.prompt.Answer(); cmd == "" || !fresh {
		return
	}
	h.follows--
	l.answerPrompt(false, func(error) (Phase, bool) { return "", false })
}

// record takes the run's progress from the link's counts: completed layers go
// to the journal, in order, never above what is certainly executed.
func (l *loop) record() {
	a := l.run
	if a.settled {
		return
	}
	a.reach = a.src.at(&l.st)
	now := l.now()
	var nozzleC, bedC float64
	for _, h := range l.st.Heaters {
		switch {
		case h.Name == "B":
			bedC = h.ActualC
		case h.Name == "T" || h.Name == "T0" || (nozzleC == 0 && h.Name != "" && h.Name[0] == 'T'):
			nozzleC = h.ActualC
		}
	}
	for a.layers < a.reach.layers {
		y := a.Layers[a.layers]
		if a.Journal != nil {
			a.Journal.Append(LayerRecord{RunID: a.ID, Index: a.layers, TopMM: y.TopMM, Line: y.EndLine, At: now,
				FilamentMM: y.FilamentMM, NozzleC: nozzleC, BedC: bedC})
		}
		a.pace.ref(now, y.EndS)
		a.layers++
	}
	a.hot = a.hot || a.isHot(l.st.Heaters)
	l.timeConstants(now)
}

// nearTargetC is how close to its target a heater counts as there.
const nearTargetC = 3.0

// isHot says whether the run's first temperatures are reached: a nozzle has a
// target, and nothing that has one is below it. What needs no heat is hot once
// a layer, or anything of a routine, was executed.
func (a *active) isHot(heaters []link.Heater) bool {
	if a.layers > 0 || (a.Routine && a.reach.done > 0) {
		return true
	}
	if !a.reach.heats || a.reach.done == 0 {
		return false
	}
	nozzle := false
	for _, h := range heaters {
		if h.TargetC <= 0 {
			continue
		}
		if h.ActualC < h.TargetC-nearTargetC {
			return false
		}
		nozzle = nozzle || (h.Name != "" && h.Name[0] == 'T')
	}
	return nozzle
}

// progress is the run as the snapshot shows it.
func (l *loop) progress() *Progress {
	a := l.run
	at := sum(a.Layers, a.layers, a.reach.line, estS)
	left := a.pace.leftS(l.now(), at)
	p := &Progress{
		RunID: a.ID, Label: a.Label, StartedAt: a.started,
		Line: a.reach.line, Lines: a.Lines, LayersDone: a.layers, Layers: len(a.Layers),
		CompletedMM: a.completedMM(), InProgressMM: a.inProgressMM(), HeightMM: a.HeightMM,
		EstimateS: a.EstimateS, LeftS: left, EndsAt: l.now().Add(time.Duration(left * float64(time.Second))),
		FilamentMM: sum(a.Layers, a.layers, a.reach.line, filamentMM), Hot: a.hot && len(a.hold.cooled) == 0,
	}
	return p
}

func (a *active) completedMM() float64 {
	if a.layers == 0 {
		return 0
	}
	return a.Layers[a.layers-1].TopMM
}

func (a *active) inProgressMM() float64 {
	if a.layers >= len(a.Layers) || !a.hot || !a.reach.begun {
		return 0
	}
	return a.Layers[a.layers].TopMM
}
