package dispatch

import (
	"context"
	"fmt"
	"slices"

	"undercroft/queue"
)

// Added takes in jobs that intake has stored.
func (d *Dispatcher) Added(jobs []queue.Job) {
	d.turn.Lock()
	defer d.turn.Unlock()
	d.mu.Lock()
	for _, j := range jobs {
		d.setJob(j)
	}
	d.mu.Unlock()
	d.refresh(context.Background())
	d.poke()
}

// Hold keeps a queued job from starting.
func (d *Dispatcher) Hold(ctx context.Context, id int64) error {
	return d.move(ctx, id, queue.OnHold, "held by a person", queue.Queued)
}

// Release gives a held job back to the queue.
func (d *Dispatcher) Release(ctx context.Context, id int64) error {
	return d.move(ctx, id, queue.Queued, "", queue.OnHold)
}

func (d *Dispatcher) move(ctx context.Context, id int64, to queue.JobState, note string, from ...queue.JobState) error {
	return d.change(ctx, func() (queue.Job, error) { return d.o.Store.Move(ctx, id, to, note, from...) })
}

// change lets the store change one job, in turn, and takes in what came of it.
func (d *Dispatcher) change(ctx context.Context, act func() (queue.Job, error)) error {
	return d.Change(ctx, func() ([]queue.Job, error) {
		j, err := act()
		return []queue.Job{j}, err
	})
}

// Change lets the store change what concerns jobs, in turn, and takes in the jobs
// as they are now.
func (d *Dispatcher) Change(ctx context.Context, act func() ([]queue.Job, error)) error {
	d.turn.Lock()
	defer d.turn.Unlock()
	jobs, err := act()
	if err != nil {
		return err
	}
	d.mu.Lock()
	for _, j := range jobs {
		d.setJob(j)
	}
	d.mu.Unlock()
	d.refresh(ctx)
	d.poke()
	return nil
}

// Decide answers a job whose run was a mishap: queued again, whole, or given up.
func (d *Dispatcher) Decide(ctx context.Context, id int64, again bool) error {
	return d.change(ctx, func() (queue.Job, error) { return d.o.Store.Decide(ctx, id, again) })
}

// Remainder answers a job whose run was a mishap with another, added on hold, that
// prints what is missing.
func (d *Dispatcher) Remainder(ctx context.Context, id, remainder int64) error {
	return d.change(ctx, func() (queue.Job, error) {
		first, rest, err := d.o.Store.Remainder(ctx, id, remainder)
		if err == nil {
			d.mu.Lock()
			d.setJob(rest)
			d.mu.Unlock()
		}
		return first, err
	})
}

// Joined records that a remainder was joined and has cured, or that joining failed.
func (d *Dispatcher) Joined(ctx context.Context, id int64, good bool) error {
	return d.change(ctx, func() (queue.Job, error) { return d.o.Store.Joined(ctx, id, good) })
}

// Cancel ends a job that is no longer wanted. One that runs is stopped first;
// when it finished in the same moment, its pieces wait to be counted instead.
func (d *Dispatcher) Cancel(ctx context.Context, id int64) error {
	d.mu.RLock()
	j := d.live[id]
	d.mu.RUnlock()
	if j == nil {
		ended, err := d.o.Store.Job(ctx, id)
		if err != nil {
			return err
		}
		return queue.CheckMove(id, ended.State, queue.Cancelled)
	}
	switch j.State {
	case queue.NeedsDecision:
		return d.Decide(ctx, id, false)
	case queue.AwaitsYield:
		return fmt.Errorf("job %d is finished; say what of it is good instead: %w", id, queue.ErrConflict)
	case queue.Running:
		return d.cancelRun(ctx, j)
	}
	return d.move(ctx, id, queue.Cancelled, "cancelled by a person", queue.Queued, queue.OnHold)
}

func (d *Dispatcher) cancelRun(ctx context.Context, j *queue.Job) error {
	p, err := d.find(j.Printer)
	if err != nil {
		return err
	}
	d.mu.Lock()
	if p.run == nil || p.run.JobID != j.ID {
		d.mu.Unlock()
		return fmt.Errorf("job %d has just ended: %w", j.ID, queue.ErrConflict)
	}
	p.cancel = true
	d.mu.Unlock()
	if err := d.Stop(ctx, p.conf.Name, "the job was cancelled by a person"); err != nil {
		d.mu.Lock()
		if p.run != nil && p.run.JobID == j.ID {
			p.cancel = false
		}
		d.mu.Unlock()
		return err
	}
	return nil
}

// Again queues another job like one that there is or was.
func (d *Dispatcher) Again(ctx context.Context, id int64) (queue.Job, error) {
	var j queue.Job
	err := d.change(ctx, func() (_ queue.Job, err error) {
		j, err = d.o.Store.Again(ctx, id)
		return j, err
	})
	return j, err
}

// Order puts jobs before all others of their priority, in this sequence, or takes
// their places away.
func (d *Dispatcher) Order(ctx context.Context, ids []int64, free bool) error {
	return d.Change(ctx, func() ([]queue.Job, error) { return d.o.Store.Order(ctx, ids, free) })
}

// Confine says on which printers alone a job may run, and on which not. A job
// that could never run on any of them is left as it was.
func (d *Dispatcher) Confine(ctx context.Context, id int64, only, not []string) error {
	for _, name := range slices.Concat(only, not) {
		if _, err := d.find(name); err != nil {
			return err
		}
	}
	j, err := d.o.Store.Job(ctx, id)
	if err != nil {
		return err
	}
	if len(only) > 0 {
		why := ""
		for _, name := range only {
			p := d.byName[name]
			s := p.dev.Snapshot()
			d.mu.RLock()
			m := d.machine(p, &s)
			d.mu.RUnlock()
			if m.Kind == queue.ByHand || queue.Could(&j, &m) {
				why = ""
				break
			}
			h := queue.House{Answered: true}
			why = name + ": " + queue.Eligible(&j, &m, &h)[0].Text
		}
		if why != "" {
			return fmt.Errorf("job %d can never run there; %s: %w", id, why, queue.ErrInvalid)
		}
	}
	return d.change(ctx, func() (queue.Job, error) { return d.o.Store.Confine(ctx, id, only, not) })
}
