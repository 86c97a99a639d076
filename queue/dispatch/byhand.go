package dispatch

import (
	"context"
	"fmt"
	"sync"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
	"undercroft/queue/store"
)

// byHand stands for a printer without a link: a resin printer, a borrowed one,
// somebody else's workshop. It shows what people said of it; nothing is sent.
type byHand struct {
	name string

	mu   sync.Mutex
	snap fleet.Snapshot
}

var _ Printer = (*byHand)(nil)

func (b *byHand) show(run *fleet.Progress, since time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.snap = fleet.Snapshot{Name: b.name, Phase: fleet.Ready, Since: since, Why: "by hand: a person starts it", Run: run}
	if run != nil {
		b.snap.Phase, b.snap.Why = fleet.Printing, "by hand: a person says when it has ended"
	}
}

// Snapshot shows the run in hand, ending when it was estimated to.
func (b *byHand) Snapshot() fleet.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snap
}

func (b *byHand) no() error {
	return fmt.Errorf("%s has no link, a person works it: %w", b.name, fleet.ErrNotNow)
}

// Start is never asked for: Begin records what a person started.
func (b *byHand) Start(context.Context, fleet.Run) (<-chan fleet.Outcome, error) { return nil, b.no() }

// Stop is never asked for: End records what a person stopped.
func (b *byHand) Stop(context.Context, string) error { return b.no() }

// Cool cannot reach it; whoever works it sees to its heat.
func (b *byHand) Cool(context.Context) error { return b.no() }

// Lend has no meaning where a person works it anyway.
func (b *byHand) Lend(context.Context) error { return b.no() }

// TakeBack has no meaning where a person works it anyway.
func (b *byHand) TakeBack(context.Context) error { return b.no() }

// resumeByHand takes up what people had begun before the daemon ended: nothing
// of that was interrupted.
func (d *Dispatcher) resumeByHand(ctx context.Context) error {
	for _, p := range d.printers {
		b, ok := p.dev.(*byHand)
		if !ok {
			continue
		}
		b.show(nil, d.now())
		p.startsAt = time.Time{} // no hands to wait for
		j := d.live[p.facts.Plate.JobID]
		if j == nil || j.State != queue.Running || j.RunID != p.facts.Plate.RunID {
			continue
		}
		r, err := d.o.Store.Run(ctx, j.RunID)
		if err != nil {
			return err
		}
		d.inHand(p, b, &r, j)
	}
	return nil
}

// inHand notes that a person makes a job. The caller holds mu, or nobody else
// knows the dispatcher yet.
func (d *Dispatcher) inHand(p *printer, b *byHand, r *queue.Run, j *queue.Job) {
	p.stage, p.run, p.job, p.recorded = running, r, j, make(chan struct{})
	p.cancel, p.stopped = false, ""
	left := max(0, r.EstimateS-d.now().Sub(r.StartedAt).Seconds())
	b.show(&fleet.Progress{RunID: r.ID, Label: label(j, r.Try), StartedAt: r.StartedAt, EstimateS: r.EstimateS, LeftS: left,
		EndsAt: r.StartedAt.Add(time.Duration(r.EstimateS * float64(time.Second))), HeightMM: j.File.HeightMM}, r.StartedAt)
}

func (d *Dispatcher) handPrinter(name string) (*printer, *byHand, error) {
	p, err := d.find(name)
	if err != nil {
		return nil, nil, err
	}
	b, ok := p.dev.(*byHand)
	if !ok {
		return nil, nil, fmt.Errorf("%s has a link and starts its jobs itself; only a printer of kind %s is worked by a person: %w", name, queue.ByHand, queue.ErrInvalid)
	}
	return p, b, nil
}

// Begin records that a person has started a job on a printer without a link.
func (d *Dispatcher) Begin(ctx context.Context, jobID int64, name string) error {
	p, b, err := d.handPrinter(name)
	if err != nil {
		return err
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	d.mu.RLock()
	j, stage, busy := d.live[jobID], p.stage, p.job
	var stands []queue.Obstacle
	if j != nil {
		snap := b.Snapshot()
		m := d.machine(p, &snap)
		h := d.house(d.now())
		stands = queue.Eligible(j, &m, &h)
	}
	d.mu.RUnlock()
	if stage != idle {
		return fmt.Errorf("%s makes %s (job %d); say first how that ended: %w", name, busy.Part, busy.ID, queue.ErrConflict)
	}
	if j == nil {
		ended, err := d.o.Store.Job(ctx, jobID)
		if err != nil {
			return err
		}
		return queue.CheckMove(jobID, ended.State, queue.Running)
	}
	for _, o := range stands {
		if o.Code != queue.CodeByHand && o.Code != queue.CodeNotBefore { // a person may be early
			return fmt.Errorf("job %d: %s: %w", jobID, o.Text, queue.ErrConflict)
		}
	}
	st, err := d.o.Store.StartByHand(ctx, jobID, name)
	if err != nil {
		return err
	}
	d.mu.Lock()
	d.setJob(st.Job)
	p.know(st.Facts)
	d.inHand(p, b, &st.Run, d.live[jobID])
	d.mu.Unlock()
	d.refresh(ctx)
	d.poke()
	return nil
}

// EndByHand records that a job which a person had begun has ended, and what of
// it is good.
func (d *Dispatcher) EndByHand(ctx context.Context, jobID int64, y store.Yield) error {
	d.mu.RLock()
	j := d.live[jobID]
	d.mu.RUnlock()
	if j == nil || j.State != queue.Running {
		state := queue.JobState("not there")
		if ended, err := d.o.Store.Job(ctx, jobID); err != nil {
			return err
		} else if state = ended.State; state == queue.AwaitsYield {
			return d.Yield(ctx, jobID, y)
		}
		return fmt.Errorf("job %d is %s; only what runs can end: %w", jobID, state, queue.ErrConflict)
	}
	p, _, err := d.handPrinter(j.Printer)
	if err != nil {
		return err
	}
	if err := d.endByHand(ctx, p, fleet.Finished, ""); err != nil {
		return err
	}
	return d.Cleared(ctx, p.conf.Name, Cleared{Empty: true, Seated: true, Good: y.Good, Bad: y.Bad, BadFromMM: y.BadFromMM})
}

// endByHand records the end of a run on a printer without a link.
func (d *Dispatcher) endByHand(ctx context.Context, p *printer, result fleet.Result, cause string) error {
	d.mu.RLock()
	stage, r, cancel := p.stage, p.run, p.cancel
	d.mu.RUnlock()
	if stage != running {
		return fmt.Errorf("nobody has begun anything on %s: %w", p.conf.Name, queue.ErrConflict)
	}
	o := fleet.Outcome{RunID: r.ID, Result: result, Cause: cause, Text: cause, StartedAt: r.StartedAt, EndedAt: d.now()}
	e := store.End{Outcome: o, To: queue.NeedsDecision, Note: cause}
	switch {
	case result == fleet.Finished:
		e.To, e.Note = queue.AwaitsYield, ""
	case cancel:
		e.To, e.Note = queue.Cancelled, "cancelled by a person in mid-print"
	}
	if err := d.endRun(p, e); err != nil {
		return err
	}
	p.dev.(*byHand).show(nil, d.now())
	d.poke()
	return nil
}

// Pause cannot reach it.
func (b *byHand) Pause(context.Context) error { return b.no() }

// Resume cannot reach it.
func (b *byHand) Resume(context.Context) error { return b.no() }

// Loaded has no meaning where a person works it anyway.
func (b *byHand) Loaded(context.Context) error { return b.no() }

// Emergency cannot reach it: its switch or its plug is all there is.
func (b *byHand) Emergency(context.Context, string) error { return b.no() }
