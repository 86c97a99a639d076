package dispatch

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
	"undercroft/queue/store"
)

// View is a consistent copy of what the dispatcher knows. Jobs and files in it
// are shared and must not be changed.
type View struct {
	At       time.Time // house time in the house's zone
	Hours    queue.Hours
	ColdNow  bool
	HomeNow  bool
	Printers []PrinterView // in the configuration's order
	Jobs     []JobView     // all that are not done or cancelled, in the order in which they go
	Circuits []CircuitView
	Tally    store.Tally
	Waiting  int     // jobs queued or on hold
	Running  int     // jobs running
	Yield    int     // jobs that await their yield
	Decision int     // jobs that need a decision
	HoursIn  float64 // machine hours that live jobs still want, the rest of running ones included
	Mishaps  []queue.Mishap
	Stock    queue.Stock
	EyesOff  bool // nobody is called to first layers
}

// PrinterView is one printer.
type PrinterView struct {
	Machine  queue.Machine
	Snapshot fleet.Snapshot
	Why      string // one sentence: why it takes nothing, or what it does
	WaitsFor string // "person", "power", "cold-hours", "countdown", "printer", "job", "" when it prints
	Question string // what a person is asked at the plate now
	OnPlate  *queue.Job
	Job      *queue.Job // in hand
	RunID    int64
	// Next is counting down to start at Starts.
	Next   *queue.Job
	Starts time.Time
	// Spool is the loaded reel, with what the run has drawn so far taken off.
	Spool queue.Spool
	// ReelEnds is where it ends before the run does, nil when it lasts.
	ReelEnds *Forecast
	// Eyes is how far the look at the run's first layer has come.
	Eyes    queue.Eyes
	EyesWhy string
	EyesAt  time.Time // when the person was called
}

// JobView is one job with the reason why it waits.
type JobView struct {
	*queue.Job
	Why string
}

// CircuitView is one circuit.
type CircuitView struct {
	power.Circuit
	LimitW  float64
	LeasedW float64
	Leases  []power.Lease
}

// PrinterWhy is one printer's answer to a job.
type PrinterWhy struct {
	Printer   string
	Obstacles []queue.Obstacle // empty: it could take the job now
}

// Why says for one job what stands in its way on every printer.
type Why struct {
	Job      queue.Job
	Summary  string
	Printers []PrinterWhy
	Or       []string // other ways of making its part, and what they would take
}

// View copies everything that pages show.
func (d *Dispatcher) View() View {
	snaps := make([]fleet.Snapshot, len(d.printers))
	for i, p := range d.printers {
		snaps[i] = p.dev.Snapshot()
	}
	d.mu.RLock()
	defer d.mu.RUnlock()
	now := d.now()
	h := d.house(now)
	v := View{At: now, Hours: d.hours, ColdNow: h.ColdNow, HomeNow: d.hours.Home.Contains(now), Tally: d.tally, Mishaps: d.mishaps, Stock: d.stock, EyesOff: d.eyesOff}
	machines := make([]queue.Machine, len(d.printers))
	for i, p := range d.printers {
		machines[i] = d.machine(p, &snaps[i])
		d.power(p, &machines[i])
	}
	order := slices.SortedFunc(maps.Values(d.live), queue.Goes)
	v.Jobs = make([]JobView, len(order))
	whys := map[likeness]string{}
	for i, j := range order {
		v.Jobs[i] = JobView{j, d.note(j, machines, &h, whys)}
		switch j.State {
		case queue.Queued, queue.OnHold:
			v.Waiting++
			v.HoursIn += j.File.EstimateS / 3600
		case queue.Running:
			v.Running++
		case queue.AwaitsYield:
			v.Yield++
		case queue.NeedsDecision:
			v.Decision++
		}
	}
	for i, p := range d.printers {
		pv := PrinterView{Machine: machines[i], Snapshot: snaps[i], OnPlate: d.live[p.facts.Plate.JobID]}
		pv.Question = queue.Question(&machines[i], pv.OnPlate)
		pv.Spool = d.spoolNow(p, &snaps[i])
		if f, ends := d.forecast(p, &snaps[i], now); ends {
			pv.ReelEnds = &f
		}
		if p.run != nil {
			pv.Job, pv.RunID = d.live[p.run.JobID], p.run.ID
			pv.Eyes, pv.EyesWhy, pv.EyesAt = p.run.Eyes, p.run.EyesWhy, p.run.EyesAt
			if s := snaps[i].Run; s != nil && s.RunID == p.run.ID {
				v.HoursIn += s.LeftS / 3600
			}
		}
		if p.next != nil && p.startsAt.After(now) && p.stage == idle {
			pv.Next, pv.Starts = p.next, p.startsAt
		}
		pv.Why, pv.WaitsFor = d.waits(p, &machines[i], &snaps[i], &h, pv.Next)
		v.Printers = append(v.Printers, pv)
	}
	for _, c := range d.circuits() {
		held := d.leases[c.Name]
		v.Circuits = append(v.Circuits, CircuitView{Circuit: c, LimitW: c.LimitW(), LeasedW: power.SumW(held), Leases: append([]power.Lease(nil), held...)})
	}
	return v
}

// note says in a sentence why a job stands where it stands. The caller holds mu.
func (d *Dispatcher) note(j *queue.Job, machines []queue.Machine, h *queue.House, known map[likeness]string) string {
	switch j.State {
	case queue.Queued:
		l := likenessOf(j)
		s, ok := known[l]
		if !ok {
			s = summary(j, machines, h)
			known[l] = s
		}
		return s
	case queue.Running:
		return "on " + j.Printer
	case queue.AwaitsYield:
		if p := d.byName[j.Printer]; p != nil && p.facts.Plate.JobID == j.ID {
			return "finished; lies on " + j.Printer + " until a person clears the plate"
		}
		if j.RemainderOf != 0 && j.Printer == "" {
			return j.Note
		}
		return "finished and taken off " + j.Printer + " by its clearing routine; say which pieces are good"
	}
	return j.Note
}

// summary is the reason in one sentence, by the printer that is nearest to
// taking the job.
func summary(j *queue.Job, machines []queue.Machine, h *queue.House) string {
	near, least := -1, 0
	for i := range machines {
		if machines[i].Kind != j.Kind && machines[i].Kind != queue.ByHand {
			continue
		}
		if cost := queue.Cost(j, &machines[i], h); near < 0 || cost < least {
			near, least = i, cost
		}
	}
	switch {
	case near < 0:
		return "there is no printer of kind " + j.Kind
	case least == 0:
		return machines[near].Name + " takes it next in turn"
	}
	return machines[near].Name + ": " + queue.Eligible(j, &machines[near], h)[0].Text
}

// waits says why a printer takes nothing, and what would change that. The caller holds mu.
func (d *Dispatcher) waits(p *printer, m *queue.Machine, s *fleet.Snapshot, h *queue.House, next *queue.Job) (string, string) {
	name := p.conf.Name
	switch {
	case p.pending != "":
		return "the end of its last run is not on the disk: " + p.pending, "person"
	case p.stage == starting:
		return "starting " + p.job.Part, ""
	case p.stage == running, p.stage == ending, p.stage == clearing:
		return s.Why, ""
	}
	// A job that suits in everything shows what the printer itself waits for.
	var any queue.Job
	any.File, any.Kind, any.NozzleMM, any.Material = &queue.File{}, m.Kind, m.NozzleMM, m.Spool.Material
	if m.Plate.Surface != "" {
		any.Surface = m.Plate.Surface
	}
	if list := queue.Eligible(&any, m, h); len(list) > 0 {
		o := list[0]
		for _, x := range list { // what only a person can do comes first
			if x.Waits == queue.ForPerson {
				o = x
				break
			}
		}
		if o.Waits == queue.ForStart && next != nil {
			return fmt.Sprintf("starts %s at %s", next.Part, p.startsAt.In(d.o.Zone).Format("15:04:05")), string(o.Waits)
		}
		if o.Code != queue.CodePower {
			if s.Phase == fleet.Absent && o.Code == queue.CodePlate {
				// It may be hot behind its cable: whoever goes there for the plate must know.
				return "no link: " + s.Why + ". And " + o.Text, string(o.Waits)
			}
			return o.Text, string(o.Waits)
		}
	}
	if p.retryAt.After(h.Now) {
		return "refused its last start: " + p.refused, "printer"
	}
	if p.powerNo != "" {
		return p.powerNo, string(queue.ForPower)
	}
	groups := d.queued[p.conf.Kind]
	if len(groups) == 0 {
		return "no job of kind " + p.conf.Kind + " is queued", "job"
	}
	var near *queue.Job
	least := 0
	for _, g := range groups {
		if cost := queue.Cost(g.jobs[0], m, h); near == nil || cost < least || cost == least && queue.Goes(g.jobs[0], near) < 0 {
			near, least = g.jobs[0], cost
		}
	}
	if least == 0 {
		return "takes " + near.Part + " next", ""
	}
	first := queue.Eligible(near, m, h)[0]
	if first.Waits == queue.ForNothing {
		return "no queued job suits " + name, "job"
	}
	return fmt.Sprintf("no queued job suits it now; %s %s", near.Part, first.Text), string(first.Waits)
}

// Why says what stands in a job's way, printer by printer.
func (d *Dispatcher) Why(ctx context.Context, id int64) (Why, error) {
	d.mu.RLock()
	j := d.live[id]
	d.mu.RUnlock()
	if j == nil {
		ended, err := d.o.Store.Job(ctx, id)
		if err != nil {
			return Why{}, err
		}
		return Why{Job: ended, Summary: "it is " + string(ended.State)}, nil
	}
	known := j.State == queue.Queued || j.State == queue.OnHold || j.State == queue.NeedsDecision
	var ledger queue.Ledger
	if known {
		var err error
		if ledger, err = d.o.Store.Ledger(ctx, j.BuildID); err != nil {
			return Why{}, err
		}
	}
	snaps := make([]fleet.Snapshot, len(d.printers))
	for i, p := range d.printers {
		snaps[i] = p.dev.Snapshot()
	}
	d.mu.RLock()
	defer d.mu.RUnlock()
	h := d.house(d.now())
	if _, err := os.Stat(d.o.Store.FilePath(j.File.SHA256)); errors.Is(err, os.ErrNotExist) && !j.File.ByHand {
		gone := *j
		gone.FileGone, j = true, &gone
	}
	w := Why{Job: *j}
	machines := make([]queue.Machine, len(d.printers))
	for i, p := range d.printers {
		machines[i] = d.machine(p, &snaps[i])
		d.power(p, &machines[i])
		list := queue.Eligible(j, &machines[i], &h)
		if len(list) == 0 && p.retryAt.After(h.Now) {
			list = []queue.Obstacle{{Code: queue.CodeRefused, Text: "refused its last start: " + p.refused, Waits: queue.ForPrinter}}
		}
		for k := range list {
			if list[k].Code == queue.CodeSpool {
				if err := d.lasting(ctx, j, &machines[i], &h, &list[k]); err != nil {
					d.o.Log.Error("where a reel would end is not known", "job", j.ID, "err", err)
				}
			}
		}
		w.Printers = append(w.Printers, PrinterWhy{p.conf.Name, list})
	}
	if known {
		w.Or = queue.OtherWays(j, &ledger, machines, &h)
	}
	switch j.State {
	case queue.Queued:
		w.Summary = summary(j, machines, &h)
	case queue.Running:
		w.Summary = "it runs on " + j.Printer
	default:
		w.Summary = d.note(j, machines, &h, nil)
	}
	return w, nil
}
