package fleet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

// ready waits for a run, and notices when somebody else begins to use the
// machine.
func (l *loop) ready() Phase {
	l.look()
	var stood *[4]float64
	next := time.NewTimer(strangeFirst)
	defer next.Stop()
	for {
		switch l.st.Phase {
		case link.Failed, link.Closed:
			l.dropErrand()
			return l.lost()
		case link.Opening:
			return l.to(Settling, "the machine was restarted")
		}
		if v, bad := l.worst(watch.Halt); bad {
			return l.halt(v)
		}
		if hot := l.targets(); len(hot) > 0 && l.errand == nil {
			if l.late(hot) {
				return l.to(Settling, "heated by a command of ours that was on its way when its link was lost")
			}
			return l.foundOut(hot)
		}
		if len(l.owed) > 0 && time.Now().After(l.owedTill) {
			l.owe(nil)
		}
		select {
		case <-l.news():
			l.looked()
			l.look()
		case <-l.rest.C:
			l.idle = false
		case <-l.tick.C:
			l.look()
		case <-next.C:
			next.Reset(strangeEvery)
			if l.errand == nil && l.st.Phase == link.Idle {
				l.lookForHands(&stood)
			}
		case <-l.back():
			if next, leave := l.received(); leave {
				return next
			}
		case r := <-l.p.requests:
			l.took(r)
			switch r.verb {
			case doStart:
				l.check(r)
			case doEmergency:
				return l.emergencyBy(r)
			case doCool:
				l.coolFor(r, Ready)
			case doLend:
				r.answer(nil, nil)
				return l.lend("person")
			case doTakeBack:
				l.refuse(r, ErrNotNow, "it is not lent")
			default:
				l.refuse(r, ErrNotNow, "no run is on its way")
			}
		case <-l.quit:
			return l.leave()
		}
	}
}

// An idle machine is asked now and then whether it stands where it stood.
const (
	strangeFirst = 5 * time.Second
	strangeEvery = 20 * time.Second
)

// lookForHands asks an idle machine what it does and where it stands: a print
// from its own card that began cold, or somebody at its panel, shows there before
// any target does. These are questions; they change nothing.
func (l *loop) lookForHands(stood **[4]float64) {
	var at *[4]float64
	l.looking = true
	l.send(commandLimit, func(ctx context.Context, c conn) error {
		if err := atRest(ctx, c); err != nil {
			return err
		}
		if p, err := position(ctx, c); err == nil {
			at = &p
		}
		return nil
	}, func(err error) (Phase, bool) {
		l.looking = false
		was := *stood
		switch {
		case errors.Is(err, errBusyMachine):
			return l.lend("found out: " + err.Error()), true
		case err != nil || at == nil:
		case was != nil && *was != *at:
			return l.lend(fmt.Sprintf("found out: %v: it stood at X%.2f Y%.2f Z%.2f and now stands at X%.2f Y%.2f Z%.2f",
				errBusyMachine, was[0], was[1], was[2], at[0], at[1], at[2])), true
		default:
			*stood = at
		}
		return "", false
	})
}

// Between two questions for the position; a card print moves on in it.
const stillFor = 250 * time.Millisecond

// errBusyMachine: the machine is doing something that we did not ask for.
var errBusyMachine = errors.New("the machine moves by itself")

// check finds out, before a start, that the machine is at rest and nobody
// else's; then it begins the run.
func (l *loop) check(r *request) {
	if l.errand != nil && !l.looking {
		l.refuse(r, ErrNotNow, "another start or a cooling is under way")
		return
	}
	if r.run.Open == nil {
		l.refuse(r, ErrInvalid, "the run has no file")
		return
	}
	for i := 1; i < len(r.run.Layers); i++ {
		if r.run.Layers[i].EndLine < r.run.Layers[i-1].EndLine {
			l.refuse(r, ErrInvalid, "layer %d of %q ends before the one below it; read the file anew", i+1, r.run.Label)
			return
		}
	}
	for _, v := range l.bad {
		if v.Cause == watch.SensorOpen || v.Cause == watch.SensorShorted || v.Cause == watch.SensorLoose {
			l.refuse(r, ErrNotNow, "%s", v.Text)
			return
		}
	}
	l.send(30*time.Second, atRest, func(err error) (Phase, bool) {
		l.look()
		switch {
		case errors.Is(err, errBusyMachine):
			l.refuse(r, ErrLent, "%v", err)
			return l.lend("found out: " + err.Error()), true
		case len(l.targets()) > 0 && l.late(l.targets()):
			l.refuse(r, ErrNotNow, "it is still heated by a command of ours that was on its way when its link was lost; its heaters are turned off first")
			return Ready, false
		case len(l.targets()) > 0:
			l.refuse(r, ErrLent, "its heaters have targets that were not set from here")
			return l.foundOut(l.targets()), true
		case err != nil:
			l.refuse(r, ErrNoLink, "it did not answer before the start (%v)", err)
			return Ready, false
		case r.ctx.Err() != nil:
			l.refuse(r, r.ctx.Err(), "the start was called off")
			return Ready, false
		}
		return l.begin(r)
	})
}

// atRest asks for temperatures, position and the card's state.
func atRest(ctx context.Context, c conn) error {
	if _, err := do(ctx, c, "M105"); err != nil {
		return err
	}
	if c.State().Identity.Caps["SDCARD"] {
		lines, err := do(ctx, c, "M27")
		if err != nil {
			return err
		}
		for _, line := range lines {
			if strings.Contains(strings.ToLower(line), "printing byte") {
				return fmt.Errorf("%w: it prints from its own card", errBusyMachine)
			}
		}
	}
	before, err := position(ctx, c)
	if err != nil {
		if ctx.Err() != nil {
			return err
		}
		return nil // it does not tell its position
	}
	select {
	case <-time.After(stillFor):
	case <-ctx.Done():
		return ctx.Err()
	}
	after, err := position(ctx, c)
	if err == nil && before != after {
		return fmt.Errorf("%w: its position changed from X%.2f Y%.2f Z%.2f to X%.2f Y%.2f Z%.2f",
			errBusyMachine, before[0], before[1], before[2], after[0], after[1], after[2])
	}
	return err
}

// begin starts the stream and answers the request with the outcome's channel.
func (l *loop) begin(r *request) (Phase, bool) {
	file, err := r.run.Open()
	if err != nil {
		l.refuse(r, ErrInvalid, "the file of %q cannot be opened: %v", r.run.Label, err)
		return Ready, false
	}
	l.adopt()
	a := newActive(r.run, file, l.now(), l.spec.HostCalls)
	a.resends = l.st.Resends
	l.asks = nil
	if err := l.c.Stream(a.src); err != nil {
		a.close()
		l.refuse(r, ErrNotNow, "the link does not take the run: %v", err)
		return Ready, false
	}
	l.run = a
	l.owe(nil)
	r.answer(a.out, nil)
	return l.to(Warming, "warming up for "+a.name()), true
}

// active is a run that was started and has not ended.
type active struct {
	Run
	src     *source
	file    io.Closer
	out     chan Outcome
	started time.Time // house time
	resends int64     // the link's count at the start
	hot     bool
	layers  int // recorded
	reach   reach
	pace    pace

	hold    hold
	quick   int  // times that its end was told to stop at once
	settled bool // what was executed is not counted on
}

func newActive(r Run, file io.ReadCloser, now time.Time, calls []string) *active {
	if r.Routine {
		calls = nil
	}
	return &active{
		Run: r, src: newSource(file, r.Layers, calls), file: file, out: make(chan Outcome, 1), started: now,
		pace: pace{estimateS: r.EstimateS},
	}
}

func (a *active) name() string {
	if a.Label != "" {
		return a.Label
	}
	return fmt.Sprintf("run %d", a.ID)
}

// close ends the reading of the file.
func (a *active) close() {
	a.src.stop()
	_ = a.file.Close()
}
