package dispatch

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
	"undercroft/queue/store"
)

// Cleared is a person's answer to 'is the plate clear?'.
type Cleared struct {
	Empty     bool
	Seated    bool
	Surface   string   // which sheet lies there now; empty: the same as before
	Good      *int     // how many pieces are good; nil: all
	Bad       []int    // which are bad, by their place on the plate, from 1
	BadFromMM *float64 // the height from which the piece is bad, when one is
}

// Fit is what hands changed on a printer; nil fields stay as they are.
type Fit struct {
	NozzleMM *float64
	Material *string // empty: nothing is loaded
	Colour   *string
	Grams    *float64 // left on the spool; below 0: not known
	Surface  *string
	PlateOff *bool
}

// Cooled is what became of one printer's heaters.
type Cooled struct {
	Printer string
	Err     error // nil: every target is confirmed to be zero
}

// find gives a printer, or an error that wraps queue.ErrNotFound.
func (d *Dispatcher) find(name string) (*printer, error) {
	p := d.byName[name]
	if p == nil {
		names := make([]string, len(d.printers))
		for i, q := range d.printers {
			names[i] = q.conf.Name
		}
		return nil, fmt.Errorf("there is no printer %s here; there are %s: %w", name, strings.Join(names, ", "), queue.ErrNotFound)
	}
	return p, nil
}

// free wants a printer that the dispatcher does nothing with. The caller holds turn.
func (d *Dispatcher) free(p *printer, after string) error {
	d.mu.RLock()
	defer d.mu.RUnlock()
	switch p.stage {
	case idle:
		return nil
	case clearing:
		return fmt.Errorf("the clearing routine of %s runs; %s after it: %w", p.conf.Name, after, queue.ErrConflict)
	case asking:
		return fmt.Errorf("%s is being lent or taken back; %s after that: %w", p.conf.Name, after, queue.ErrConflict)
	case ending:
		return fmt.Errorf("the end of the last run on %s is being recorded; %s after that: %w", p.conf.Name, after, queue.ErrConflict)
	}
	return fmt.Errorf("%s prints %s; %s after it, or stop it first: %w", p.conf.Name, p.job.Part, after, queue.ErrConflict)
}

// hands notes that a person was at the machine just now: nothing starts on it
// for a while, their hands may still be inside.
func (d *Dispatcher) hands(p *printer) {
	d.mu.Lock()
	p.startsAt = d.now().Add(max(d.startDelay, 0))
	p.retryAt, p.refused, p.refusals = time.Time{}, "", 0
	d.mu.Unlock()
}

// Cleared takes a person's answer at a plate. Only an empty plate is recorded;
// when the sheet is not seated the plate counts as off.
func (d *Dispatcher) Cleared(ctx context.Context, name string, c Cleared) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	if !c.Empty {
		return fmt.Errorf("something is still on the plate of %s; nothing was recorded, and nothing starts on it: %w", name, queue.ErrConflict)
	}
	if c.BadFromMM != nil && !(*c.BadFromMM >= 0 && *c.BadFromMM < 10000) {
		return fmt.Errorf("bad from %g mm is not a height: %w", *c.BadFromMM, queue.ErrInvalid)
	}
	surface, err := word("the sheet", strings.ToLower(c.Surface))
	if err != nil {
		return err
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	if err := d.free(p, "clear it"); err != nil {
		return err
	}
	done, err := d.o.Store.Cleared(ctx, name, c.Seated, surface, store.Yield{Good: c.Good, Bad: c.Bad, BadFromMM: c.BadFromMM})
	if err != nil {
		return err
	}
	d.mu.Lock()
	p.know(done.Facts)
	for _, j := range done.Jobs {
		d.setJob(j)
	}
	d.mu.Unlock()
	d.hands(p)
	d.refresh(ctx)
	d.poke()
	return nil
}

// Yield takes a person's word on the pieces of a finished job whose plate was
// cleared without anyone having looked.
func (d *Dispatcher) Yield(ctx context.Context, jobID int64, y store.Yield) error {
	return d.change(ctx, func() (queue.Job, error) { return d.o.Store.Yield(ctx, jobID, y) })
}

// NotYet takes a clearing back as long as nothing has started.
func (d *Dispatcher) NotYet(ctx context.Context, name string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	if err := d.free(p, "it has begun, 'not yet' comes too late; answer"); err != nil {
		return err
	}
	f, err := d.o.Store.NotYet(ctx, name)
	if err != nil {
		return err
	}
	d.mu.Lock()
	p.know(f)
	p.next = nil
	d.mu.Unlock()
	d.poke()
	return nil
}

// withPrinter does something that makes the fleet wait, with the printer kept
// from starting meanwhile.
func (d *Dispatcher) withPrinter(p *printer, after string, ask func() error, then func() error) error {
	d.turn.Lock()
	if err := d.free(p, after); err != nil {
		d.turn.Unlock()
		return err
	}
	d.mu.Lock()
	p.stage = asking
	d.mu.Unlock()
	d.turn.Unlock()
	err := kindOf(ask())
	d.turn.Lock()
	defer d.turn.Unlock()
	if err == nil {
		err = then()
	}
	d.mu.Lock()
	p.stage = idle
	d.mu.Unlock()
	d.poke()
	return err
}

// Lend gives a printer to a person at its panel; nothing is sent to it until it
// is taken back.
func (d *Dispatcher) Lend(ctx context.Context, name string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	return d.withPrinter(p, "lend it", func() error { return p.dev.Lend(ctx) }, func() error {
		f, err := d.o.Store.SetLent(ctx, name, true)
		if err != nil {
			return err
		}
		d.mu.Lock()
		p.know(f)
		d.mu.Unlock()
		return nil
	})
}

// TakeBack ends a lending, or says after a fault that a person has looked at the
// machine. Its plate is not known then.
func (d *Dispatcher) TakeBack(ctx context.Context, name string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	phase := p.dev.Snapshot().Phase
	faulted := phase == fleet.Faulted
	d.mu.RLock()
	lent, plate := p.facts.Lent, p.facts.Plate.State
	d.mu.RUnlock()
	ask := func() error {
		if lent && phase != fleet.Lent && !faulted {
			return nil // recorded as lent, and the link was never told
		}
		return p.dev.TakeBack(ctx)
	}
	return d.withPrinter(p, "take it back", ask, func() error {
		var f queue.Facts
		switch {
		case lent:
			f, err = d.o.Store.SetLent(ctx, name, false)
		case faulted && plate == queue.PlateClear:
			f, err = d.o.Store.SetPlate(ctx, name, queue.PlateUnknown, "it had a fault")
		default:
			f, err = d.o.Store.NeedPerson(ctx, name)
		}
		if err != nil {
			return err
		}
		d.mu.Lock()
		p.know(f)
		d.mu.Unlock()
		d.hands(p)
		return nil
	})
}

// Stop ends the run on a printer now. Its job then needs a decision.
func (d *Dispatcher) Stop(ctx context.Context, name, cause string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	if cause, err = word("the cause", cause); err != nil {
		return err
	}
	if cause == "" {
		cause = "stopped by a person"
	}
	if p.conf.Kind == queue.ByHand {
		return d.endByHand(ctx, p, fleet.Failed, cause)
	}
	d.mu.RLock()
	stage, callOff, recorded := p.stage, p.callOff, p.recorded
	d.mu.RUnlock()
	switch stage {
	case starting:
		d.mu.Lock()
		p.stopped = cause
		d.mu.Unlock()
		callOff()
	case running:
		if err := kindOf(p.dev.Stop(ctx, cause)); err != nil {
			return err
		}
	case clearing:
		return kindOf(p.dev.Stop(ctx, cause))
	case ending:
	default:
		return fmt.Errorf("no run is on its way on %s: %w", name, queue.ErrConflict)
	}
	return d.await(ctx, recorded)
}

// await waits until a run's end is recorded.
func (d *Dispatcher) await(ctx context.Context, recorded <-chan struct{}) error {
	select {
	case <-recorded:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("it is stopped, but its end is not recorded yet: %w: %w", ctx.Err(), queue.ErrUnavailable)
	}
}

// Pause holds the run on a printer: off the piece, with the heat that the owner
// configured for it.
func (d *Dispatcher) Pause(ctx context.Context, name string) error {
	return d.toPrinter(name, func(p *printer) error { return p.dev.Pause(ctx) })
}

// Resume begins to go on with a held run; what was let cool heats again within
// the circuit's watts (MayHeat).
func (d *Dispatcher) Resume(ctx context.Context, name string) error {
	return d.toPrinter(name, func(p *printer) error { return p.dev.Resume(ctx) })
}

// Loaded says of a held run that another reel is in, notes what it is (by its
// number, or in words), and goes on: the printer purges first. The run's draw so
// far belongs to the reel before.
func (d *Dispatcher) Loaded(ctx context.Context, name string, spool *int, fit Fit) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	if s := p.dev.Snapshot(); s.Phase != fleet.Paused || s.Run == nil {
		return fmt.Errorf("no run is held on %s; say what is loaded with fit: %w", name, queue.ErrConflict)
	}
	switch {
	case spool != nil && fit != (Fit{}):
		return fmt.Errorf("reel %d is known by its number; say nothing else of it: %w", *spool, queue.ErrInvalid)
	case spool != nil:
		if err := d.Load(ctx, name, *spool); err != nil {
			return err
		}
	case fit != (Fit{}):
		if err := d.Fit(ctx, name, fit); err != nil {
			return err
		}
	}
	return d.toPrinter(name, func(p *printer) error { return p.dev.Loaded(ctx) })
}

// Emergency stops a machine at once, whatever it does. It wraps
// queue.ErrUnavailable when nothing confirms that it stopped: then only the plug
// is left.
func (d *Dispatcher) Emergency(ctx context.Context, name, cause string) error {
	cause, err := word("the cause", cause)
	if err != nil {
		return err
	}
	return d.toPrinter(name, func(p *printer) error {
		d.mu.Lock()
		if p.callOff != nil {
			p.stopped = "emergency stop"
			p.callOff()
		}
		d.mu.Unlock()
		return p.dev.Emergency(ctx, cause)
	})
}

func (d *Dispatcher) toPrinter(name string, do func(*printer) error) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	err = kindOf(do(p))
	d.poke()
	return err
}

// MayHeat takes the heating watts of a printer whose held run was let cool; the
// error says what its circuit lacks. The fleet asks it before it heats again.
func (d *Dispatcher) MayHeat(name string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	c := d.circuit(p.conf.Circuit)
	if c == nil || d.lease(p) {
		return nil
	}
	d.mu.RLock()
	defer d.mu.RUnlock()
	return errors.New(power.CanHeat(*c, d.leases[c.Name], name, p.conf.Load).Text)
}

// Cool sets every heater target of every printer with a link to zero, which ends runs, and
// keeps anything from starting until a person has looked at each plate again.
func (d *Dispatcher) Cool(ctx context.Context) []Cooled {
	var reach []*printer
	for _, p := range d.printers {
		if p.conf.Kind != queue.ByHand {
			reach = append(reach, p)
		}
	}
	out := make([]Cooled, len(reach))
	d.turn.Lock()
	for i, p := range reach {
		out[i].Printer = p.conf.Name
		d.mu.Lock()
		if p.callOff != nil {
			p.stopped = "a person had everything cooled"
			p.callOff()
		}
		free, plate := p.stage == idle, p.facts.Plate.State
		d.mu.Unlock()
		switch {
		case free && plate == queue.PlateClear:
			d.setFacts(p)(d.o.Store.SetPlate(ctx, p.conf.Name, queue.PlateUnknown, "a person had everything cooled"))
		case free && plate == queue.PlateOccupied: // no clearing routine either
			d.setFacts(p)(d.o.Store.NeedPerson(ctx, p.conf.Name))
		}
	}
	d.turn.Unlock()
	var wg sync.WaitGroup
	for i, p := range reach {
		wg.Go(func() { out[i].Err = kindOf(p.dev.Cool(ctx)) })
	}
	wg.Wait()
	d.poke()
	return out
}

// Fit records what hands changed on a printer.
func (d *Dispatcher) Fit(ctx context.Context, name string, fit Fit) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	if fit.NozzleMM != nil || fit.Surface != nil || fit.PlateOff != nil {
		if err := d.free(p, "change nozzle and sheet"); err != nil {
			return err
		}
	}
	runMM := d.runMM(p)
	f, err := d.o.Store.Fit(ctx, name, runMM, func(f *queue.Facts) error { return apply(f, fit) })
	if err == nil && fit.PlateOff != nil {
		switch {
		case *fit.PlateOff && f.Plate.State == queue.PlateOccupied:
			err = fmt.Errorf("something lies on the plate of %s; clear it first: %w", name, queue.ErrConflict)
		case *fit.PlateOff:
			f, err = d.o.Store.SetPlate(ctx, name, queue.PlateOff, "the sheet is off")
		case f.Plate.State == queue.PlateOff:
			f, err = d.o.Store.SetPlate(ctx, name, queue.PlateUnknown, "a sheet was put on")
		}
	}
	if err != nil {
		return err
	}
	d.reel(p, f, runMM)
	d.hands(p)
	d.poke()
	return nil
}

func apply(f *queue.Facts, fit Fit) error {
	var err error
	if v := fit.NozzleMM; v != nil {
		if !(*v >= 0.1 && *v <= 3) {
			return fmt.Errorf("a nozzle of %g mm; between 0.1 and 3 mm are known: %w", *v, queue.ErrInvalid)
		}
		f.NozzleMM = *v
	}
	if v := fit.Material; v != nil {
		f.Spool = queue.Spool{} // another reel, without a number
		if f.Spool.Material, err = word("the material", strings.ToUpper(*v)); err != nil {
			return err
		}
	}
	if v := fit.Colour; v != nil {
		if f.Spool.Colour, err = word("the colour", *v); err != nil {
			return err
		}
	}
	if v := fit.Grams; v != nil {
		switch {
		case *v < 0:
			f.Spool.Grams = nil
		case *v <= 20000:
			g := *v
			f.Spool.Grams = &g
		default:
			return fmt.Errorf("%g g on a spool; up to 20,000 are believed: %w", *v, queue.ErrInvalid)
		}
	}
	if v := fit.Surface; v != nil {
		if f.Plate.Surface, err = word("the sheet", strings.ToLower(*v)); err != nil {
			return err
		}
	}
	return nil
}

// Service takes a printer out of service with a reason, or back. A run on it
// goes on; nothing new starts.
func (d *Dispatcher) Service(ctx context.Context, name string, out bool, reason string) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	if reason, err = word("the reason", reason); err != nil {
		return err
	}
	switch {
	case !out:
		reason = ""
	case reason == "":
		return fmt.Errorf("say why %s is out of service: %w", name, queue.ErrInvalid)
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	f, err := d.o.Store.SetService(ctx, name, reason)
	if err != nil {
		return err
	}
	d.mu.Lock()
	p.know(f)
	free := p.stage == idle
	d.mu.Unlock()
	if out && free {
		d.release(p) // a person has taken it out: its watts are free
	}
	if !out {
		d.hands(p)
	}
	d.poke()
	return nil
}

// SetHours answers when somebody is home and when nothing may be hot. An empty
// text keeps an earlier answer.
func (d *Dispatcher) SetHours(ctx context.Context, home, cold string) error {
	d.turn.Lock()
	defer d.turn.Unlock()
	d.mu.RLock()
	h := d.hours
	d.mu.RUnlock()
	if h.Answered && strings.TrimSpace(home) == "" {
		home = h.Home.String()
	}
	if h.Answered && strings.TrimSpace(cold) == "" {
		cold = h.Cold.String()
	}
	var err error
	if h.Home, err = queue.ParseSchedule(home); err != nil {
		return fmt.Errorf("home hours: %w", err)
	}
	if h.Cold, err = queue.ParseSchedule(cold); err != nil {
		return fmt.Errorf("cold hours: %w", err)
	}
	if err := d.o.Store.SetHours(ctx, h.Home, h.Cold); err != nil {
		return err
	}
	h.Answered = true
	d.mu.Lock()
	d.hours = h
	d.mu.Unlock()
	d.poke()
	return nil
}

// word bounds what a person types.
func word(what, s string) (string, error) {
	s = strings.TrimSpace(s)
	if len(s) > 200 || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return "", fmt.Errorf("%s has more than 200 bytes or a control character: %w", what, queue.ErrInvalid)
	}
	return s, nil
}

// kindOf gives an error of the fleet the kind that the house's users know.
func kindOf(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fleet.ErrNotNow), errors.Is(err, fleet.ErrLent):
		return fmt.Errorf("%w: %w", err, queue.ErrConflict)
	case errors.Is(err, fleet.ErrInvalid):
		return fmt.Errorf("%w: %w", err, queue.ErrInvalid)
	}
	return fmt.Errorf("%w: %w", err, queue.ErrUnavailable)
}
