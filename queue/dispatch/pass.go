package dispatch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
)

// A printer that refused a start is left alone for retryAfter, house time, and
// twice as long after each further refusal up to retryLimit, unless hands or a
// reboot change things before. However fast the house's clock, that is at least
// retryReal.
const (
	retryAfter = 30 * time.Second
	retryLimit = 15 * time.Minute
	retryReal  = 200 * time.Millisecond
)

// refuse notes that a start was refused, with these words. The caller holds mu.
func (d *Dispatcher) refuse(p *printer, why string) {
	wait := min(retryLimit, retryAfter<<min(p.refusals, 10))
	wait = max(wait, time.Duration(float64(retryReal)*d.o.Pace))
	p.refusals++
	p.retryAt, p.refused = d.now().Add(wait), why
}

// pass looks at everything once: takes in what the printers report, starts what
// can start, and returns when to look again by itself; zero: only after an event.
func (d *Dispatcher) pass(ctx context.Context) time.Time {
	d.turn.Lock()
	defer d.turn.Unlock()
	for _, p := range d.printers {
		d.observe(ctx, p)
	}
	now := d.now()
	d.mu.RLock()
	house := d.house(now)
	closing := d.closing
	d.mu.RUnlock()
	if !closing && ctx.Err() == nil {
		d.clearings(ctx, &house)
		d.starts(ctx, &house)
	}
	d.addUp(ctx)
	d.tell()
	return d.nextLook(&house)
}

// nextLook is the earliest instant at which time alone changes something.
func (d *Dispatcher) nextLook(h *queue.House) time.Time {
	var next time.Time
	at := func(t time.Time) {
		if t.After(h.Now) && (next.IsZero() || t.Before(next)) {
			next = t
		}
	}
	d.mu.RLock()
	defer d.mu.RUnlock()
	for _, p := range d.printers {
		at(p.startsAt)
		at(p.retryAt)
		if !p.waitsPower.IsZero() {
			at(p.waitsPower.Add(power.Patience))
		}
	}
	at(d.opens(h.Now))
	at(h.ColdEnds)
	at(h.NextCold)
	at(d.hours.Home.NextChange(h.Now)) // the pages show who is home
	return next
}

// observe takes in what a printer reports. The caller holds turn.
func (d *Dispatcher) observe(ctx context.Context, p *printer) {
	s := p.dev.Snapshot()
	d.mu.RLock()
	free, lent, inService := p.stage == idle, p.facts.Lent, p.facts.OutOfService == ""
	d.mu.RUnlock()
	switch s.Phase {
	case fleet.Absent:
		d.mu.Lock()
		if p.ready && p.goneAt.IsZero() {
			p.goneAt = d.now()
		}
		d.mu.Unlock()
	case fleet.Ready, fleet.Cooling:
		if s.Phase == fleet.Ready {
			d.reboot(ctx, p, s.Boots, free)
		}
		if free {
			d.release(p)
		}
	case fleet.Lent:
		if !free {
			break
		}
		if !lent {
			d.setFacts(p)(d.o.Store.SetLent(ctx, p.conf.Name, true))
		}
		if inService {
			d.lease(p) // a person may heat it
		}
	case fleet.Warming, fleet.Printing, fleet.Paused:
		switch {
		case s.Run == nil || !s.Run.Hot:
		case reheats(&s):
			d.take(p)
		default:
			d.relax(p)
		}
		d.look(ctx, p, &s)
	}
}

// reboot notices that a machine restarted by itself since it was ready last:
// then only a person says what is on its plate, unless one said so meanwhile.
func (d *Dispatcher) reboot(ctx context.Context, p *printer, boots int, free bool) {
	d.mu.Lock()
	known, before, gone := p.ready, p.boots, p.goneAt
	p.ready, p.boots, p.goneAt = true, boots, time.Time{}
	plate := p.facts.Plate
	d.mu.Unlock()
	if !known || boots <= before || !free {
		return
	}
	d.mu.Lock()
	p.retryAt, p.refusals = time.Time{}, 0
	d.mu.Unlock()
	switch plate.State {
	case queue.PlateClear:
		if gone.IsZero() || plate.Since.Before(gone) {
			d.setFacts(p)(d.o.Store.SetPlate(ctx, p.conf.Name, queue.PlateUnknown, "it restarted"))
		}
	case queue.PlateOccupied:
		d.setFacts(p)(d.o.Store.NeedPerson(ctx, p.conf.Name))
	}
}

// setFacts takes the result of a store call that changed a printer's facts.
func (d *Dispatcher) setFacts(p *printer) func(queue.Facts, error) {
	return func(f queue.Facts, err error) {
		if err != nil {
			d.o.Log.Error("what changed on a printer could not be stored", "printer", p.conf.Name, "err", err)
			return
		}
		d.mu.Lock()
		p.know(f)
		d.mu.Unlock()
	}
}

// starts gives jobs to printers. Each printer takes the first job that suits it;
// of those that hang on one circuit, the one that has waited longest heats first.
func (d *Dispatcher) starts(ctx context.Context, h *queue.House) {
	cand := map[*printer]*queue.Job{}
	for _, p := range d.printers {
		cand[p] = d.candidate(p, h)
	}
	for {
		p := d.pick(cand, h)
		if p == nil {
			return
		}
		j := cand[p]
		d.start(ctx, p, j)
		cand[p] = nil
		for q, c := range cand {
			if c != nil && c.ID == j.ID {
				cand[q] = d.candidate(q, h)
			}
		}
	}
}

// candidate is the first queued job that suits a printer now, its circuit apart,
// nil when there is none. While hands may still be at the machine it notes what
// would start, so that the person can see it coming.
func (d *Dispatcher) candidate(p *printer, h *queue.House) *queue.Job {
	s := p.dev.Snapshot()
	d.mu.Lock()
	defer d.mu.Unlock()
	p.next = nil
	if p.stage != idle || p.facts.Plate.State != queue.PlateClear || s.Phase != fleet.Ready && s.Phase != fleet.Cooling || s.Run != nil || p.retryAt.After(h.Now) {
		p.waitsPower, p.powerNo = time.Time{}, ""
		return nil
	}
	ask := d.question(p, h)
	if p.nothing == ask {
		return nil
	}
	m := d.machine(p, &s)
	m.StartsAt = time.Time{}
	j := d.first(&m, h)
	switch {
	case j == nil:
		p.waitsPower, p.powerNo, p.nothing = time.Time{}, "", ask
	case p.startsAt.After(h.Now):
		p.next = j
		return nil
	}
	return j
}

// pick chooses the printer that starts next among those with a candidate.
func (d *Dispatcher) pick(cand map[*printer]*queue.Job, h *queue.House) *printer {
	d.mu.Lock()
	defer d.mu.Unlock()
	asks := map[string][]power.Ask{}
	for _, p := range d.printers {
		if cand[p] == nil {
			continue
		}
		if p.conf.Circuit == "" {
			return p
		}
		since := p.waitsPower
		if since.IsZero() {
			since = h.Now
		}
		asks[p.conf.Circuit] = append(asks[p.conf.Circuit], power.Ask{Printer: p.conf.Name, Load: p.conf.Load, Since: since})
	}
	for _, c := range d.circuits() {
		i, ok, reasons := power.Next(c, d.leases[c.Name], asks[c.Name], h.Now)
		for _, a := range asks[c.Name] {
			p := d.byName[a.Printer]
			if why := reasons[a.Printer]; why != "" {
				p.waitsPower, p.powerNo = a.Since, why
			}
		}
		if ok {
			return d.byName[asks[c.Name][i].Printer]
		}
	}
	return nil
}

// start leases, records and begins one run. The caller holds turn.
func (d *Dispatcher) start(ctx context.Context, p *printer, j *queue.Job) {
	if !d.lease(p) {
		return
	}
	st, err := d.o.Store.StartRun(ctx, j.ID, p.conf.Name)
	if err != nil {
		d.release(p)
		if ctx.Err() != nil {
			return
		}
		d.o.Log.Error("a start could not be recorded; nothing was started", "printer", p.conf.Name, "job", j.ID, "err", err)
		d.mu.Lock()
		d.refuse(p, err.Error())
		d.mu.Unlock()
		if errors.Is(err, queue.ErrConflict) {
			d.reload(ctx, j.ID)
		}
		return
	}
	runCtx, callOff := context.WithCancel(ctx)
	d.mu.Lock()
	d.setJob(st.Job)
	p.know(st.Facts)
	p.stage, p.run, p.job, p.cancel, p.stopped, p.refused = starting, &st.Run, d.live[j.ID], false, "", ""
	p.reelFromMM, p.layers = 0, nil
	p.recorded, p.callOff = make(chan struct{}), callOff
	p.waitsPower, p.powerNo = time.Time{}, ""
	job := p.job
	d.mu.Unlock()
	d.wg.Go(func() {
		defer callOff()
		d.drive(ctx, runCtx, p, st.Run, job)
	})
}

// reload reads a job anew when memory and store disagree about it.
func (d *Dispatcher) reload(ctx context.Context, id int64) {
	j, err := d.o.Store.Job(ctx, id)
	if err != nil {
		d.o.Log.Error("a job could not be read", "job", id, "err", err)
		return
	}
	d.mu.Lock()
	d.setJob(j)
	d.mu.Unlock()
}

// machine is everything about a printer that eligibility wants. The caller holds mu.
func (d *Dispatcher) machine(p *printer, s *fleet.Snapshot) queue.Machine {
	c := &p.conf
	m := queue.Machine{
		Facts: p.facts, Kind: c.Kind, VolumeMM: c.VolumeMM, OriginMM: c.OriginMM, MaxNozzleC: c.MaxNozzleC, MaxBedC: c.MaxBedC, Circuit: c.Circuit,
		Clearing: c.Clearing, MaxClearings: c.MaxClearings, Phase: string(s.Phase), PhaseWhy: s.Why, StartsAt: p.startsAt,
		ClearingNow: p.stage == clearing, RecordPending: p.pending != "",
	}
	if p.job != nil && (p.stage == starting || p.stage == running || p.stage == ending) {
		m.BusyPart = p.job.Part
		if s.Run != nil && s.Run.RunID == p.run.ID {
			m.BusyUntil = s.Run.EndsAt
		}
	}
	return m
}

// power adds the circuit's answer to a machine. The caller holds mu.
func (d *Dispatcher) power(p *printer, m *queue.Machine) {
	c := d.circuit(p.conf.Circuit)
	if c == nil {
		return
	}
	if a := power.CanHeat(*c, d.leases[c.Name], p.conf.Name, p.conf.Load); !a.OK {
		m.PowerNo, m.PowerNever = a.Text, a.Never
	} else {
		m.PowerNo = p.powerNo // it would fit, but another goes first
	}
}

func (d *Dispatcher) circuit(name string) *power.Circuit {
	all := d.circuits()
	for i := range all {
		if all[i].Name == name {
			return &all[i]
		}
	}
	return nil
}

// lease takes a printer's heating watts and says whether they fit.
func (d *Dispatcher) lease(p *printer) bool {
	c := d.circuit(p.conf.Circuit)
	if c == nil {
		return true
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	held, a := power.Grant(*c, d.leases[c.Name], p.conf.Name, p.conf.Load)
	d.leases[c.Name] = held
	return a.OK
}

// relax lowers a hot printer's lease to its steady watts.
func (d *Dispatcher) relax(p *printer) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.leases[p.conf.Circuit] {
		if l.Printer == p.conf.Name && !l.Hot {
			d.leases[p.conf.Circuit] = power.Relax(d.leases[p.conf.Circuit], p.conf.Name, p.conf.Load)
		}
	}
}

// reheatC is how far below its target a heater lies that is being heated anew,
// and does not only swing about its target.
const reheatC = 15

// reheats says whether a machine that was hot heats up once more, as after a pause
// in which its firmware let the heat go.
func reheats(s *fleet.Snapshot) bool {
	for _, h := range s.Link.Heaters {
		if h.TargetC > 0 && h.ActualC < h.TargetC-reheatC {
			return true
		}
	}
	return false
}

// take notes a heat-up that the firmware does by itself.
func (d *Dispatcher) take(p *printer) {
	c := d.circuit(p.conf.Circuit)
	if c == nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.leases[c.Name] {
		if l.Printer == p.conf.Name && !l.Hot {
			return
		}
	}
	held, over := power.Take(*c, d.leases[c.Name], p.conf.Name, p.conf.Load)
	d.leases[c.Name] = held
	if over {
		d.o.Log.Warn("a machine heats anew by itself, and its circuit is over its limit; nothing new is started on it", "printer", p.conf.Name, "circuit", c.Name, "leased_w", power.SumW(held), "limit_w", c.LimitW())
	}
}

// release ends a printer's lease.
func (d *Dispatcher) release(p *printer) {
	if p.conf.Circuit == "" {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.leases[p.conf.Circuit] {
		if l.Printer == p.conf.Name {
			d.leases[p.conf.Circuit] = power.Release(d.leases[p.conf.Circuit], p.conf.Name)
			return
		}
	}
}

// label names a run for people and logs.
func label(j *queue.Job, try int) string {
	if try > 1 {
		return fmt.Sprintf("%s (job %d, try %d)", j.Part, j.ID, try)
	}
	return fmt.Sprintf("%s (job %d)", j.Part, j.ID)
}
