package fleet

import (
	"context"
	"fmt"
	"sync/atomic"

	"undercroft/fleet/link"
)

// Printer is one machine. Its loop owns everything about it; these methods send
// the loop requests or read the snapshot that it published last.
type Printer struct {
	declared atomic.Pointer[Spec] // by Declare, not yet adopted
	spec     Spec
	f        *Fleet
	requests chan *request
	done     chan struct{} // closed when the loop has ended
	snap     atomic.Pointer[Snapshot]
}

func newPrinter(s Spec, f *Fleet) *Printer {
	p := &Printer{spec: s, f: f, requests: make(chan *request), done: make(chan struct{})}
	p.snap.Store(&Snapshot{Name: s.Name, Phase: Absent, Since: f.o.Now(), Why: "not opened yet", Link: link.State{Phase: link.Closed}})
	return p
}

type verb int

const (
	doStart verb = iota
	doStop
	doCool
	doLend
	doTakeBack
	doPause
	doResume
	doAnswer
	doLoaded
	doEmergency
)

// request is one wish; the loop answers each exactly once.
type request struct {
	verb  verb
	ctx   context.Context
	run   Run
	cause string
	reply chan reply

	answered bool // touched by the loop only
}

type reply struct {
	out <-chan Outcome
	err error
}

func (r *request) answer(out <-chan Outcome, err error) {
	if !r.answered {
		r.answered = true
		r.reply <- reply{out, err}
	}
}

// ask hands a request to the loop and awaits its answer. Once the loop has it,
// the answer is awaited whatever ctx does: it comes, and it may carry a run.
func (p *Printer) ask(ctx context.Context, r *request) reply {
	r.ctx, r.reply = ctx, make(chan reply, 1)
	select {
	case p.requests <- r:
	case <-ctx.Done():
		return reply{err: fmt.Errorf("%s: %w", p.spec.Name, ctx.Err())}
	case <-p.done:
		return reply{err: fmt.Errorf("%s: %w", p.spec.Name, ErrClosed)}
	}
	select {
	case a := <-r.reply:
		return a
	case <-p.done:
	}
	select {
	case a := <-r.reply:
		return a
	default:
		return reply{err: fmt.Errorf("%s: %w", p.spec.Name, ErrClosed)}
	}
}

// Spec returns what the printer was declared as.
func (p *Printer) Spec() Spec { return p.spec }

// Snapshot returns the newest published state. It is cheap and never blocks.
func (p *Printer) Snapshot() Snapshot { return *p.snap.Load() }

// Start begins a run. It is refused in any phase but ready and cooling. The channel gets
// exactly one outcome, whatever happens to the printer, the loop or the fleet.
func (p *Printer) Start(ctx context.Context, r Run) (<-chan Outcome, error) {
	a := p.ask(ctx, &request{verb: doStart, run: r})
	return a.out, a.err
}

// Stop ends the run now: nothing more of it is sent, heaters off, park. The
// outcome is Cancelled with the person's cause. It returns when the run has
// ended.
func (p *Printer) Stop(ctx context.Context, cause string) error {
	return p.ask(ctx, &request{verb: doStop, cause: cause}).err
}

// Cool sets every heater's target to zero and confirms it by the firmware's
// reports; it ends a run, too.
func (p *Printer) Cool(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doCool}).err
}

// Lend gives the machine to a person: nothing is sent to it but questions.
func (p *Printer) Lend(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doLend}).err
}

// TakeBack ends a lending, or acknowledges a fault after a person has checked
// the machine. The printer then settles anew.
func (p *Printer) TakeBack(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doTakeBack}).err
}

// Pause holds the run after the commands that are on their way: the nozzle pulls
// back, lifts off and waits beside the piece, with the heat that Spec.Waiting says.
func (p *Printer) Pause(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doPause}).err
}

// Resume begins to go on with a paused run: heat as it was, prime, back over the
// piece, and the next line. The snapshot tells how far it is. Where the firmware
// waits for a person, it answers the firmware's question.
func (p *Printer) Resume(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doResume}).err
}

// Alive returns when the printer's loop has answered, whatever its phase, or
// with the reason why it has not before ctx ended: a loop that does not answer
// hangs.
func (p *Printer) Alive(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doAnswer}).err
}

// Loaded is Resume by a person who has put another reel in: it purges first.
func (p *Printer) Loaded(ctx context.Context) error {
	return p.ask(ctx, &request{verb: doLoaded}).err
}

// Emergency stops the machine at once, in any phase in which there is a link,
// and faults it. nil: the firmware confirmed that it halted. Otherwise the error
// says that only the plug is left.
func (p *Printer) Emergency(ctx context.Context, cause string) error {
	return p.ask(ctx, &request{verb: doEmergency, cause: cause}).err
}
