// Package dispatch keeps the printers busy: it chooses the queued job that
// goes first of those that suit an idle printer with a clear plate, leases its power, starts it, awaits
// the outcome and records it. It acts on events only: what the fleet reports,
// what people say, and timers for countdowns and hours.
package dispatch

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/power"
	"undercroft/queue"
	"undercroft/queue/store"
)

// Printer is what the dispatcher uses of a printer; *fleet.Printer is one.
type Printer interface {
	Snapshot() fleet.Snapshot
	Start(ctx context.Context, r fleet.Run) (<-chan fleet.Outcome, error)
	Stop(ctx context.Context, cause string) error
	Cool(ctx context.Context) error
	Lend(ctx context.Context) error
	TakeBack(ctx context.Context) error
	Pause(ctx context.Context) error
	Resume(ctx context.Context) error
	Loaded(ctx context.Context) error
	Emergency(ctx context.Context, cause string) error
}

// Machine is what the configuration says of a printer.
type Machine struct {
	Name         string
	Kind         string // queue.ByHand: it has no link
	VolumeMM     [3]float64
	OriginMM     [2]float64 // where X0 Y0 lies from the bed's front left corner
	MaxNozzleC   float64
	MaxBedC      float64
	Circuit      string // empty: on none
	Load         power.Load
	Clearing     string // G-code of the owner's clearing routine; empty: none
	MaxClearings int    // routines in a row without a person; 0: 1
}

// Options of New.
type Options struct {
	Store    *store.Store
	Printers map[string]Printer
	// Notify subscribes to changes of the printers' snapshots, conflated.
	Notify   func() (<-chan struct{}, func())
	Machines []Machine // in the order in which pages show them
	Circuits []power.Circuit
	Now      func() time.Time // house time; nil: time.Now
	Pace     float64          // house seconds per real second; 0: 1
	Zone     *time.Location   // the house's; nil: UTC
	// StartDelay is the house time between hands at a machine and a start on it;
	// 0: one minute, below 0: none.
	StartDelay time.Duration
	Surfaces   queue.Surfaces // the owner's table; nil: the shipped one
	Log        *slog.Logger   // nil: none
}

// Dispatcher is the house's dispatcher. Its methods are safe for concurrent use.
type Dispatcher struct {
	o    Options
	wake chan struct{} // cap 1: something may have become possible
	// pulse is answered by Run's loop between two looks at the house.
	pulse chan struct{}
	wg    sync.WaitGroup

	// turn is held by whoever changes the house: from the choice through the
	// transaction to the memory below. Never while a printer is waited for.
	turn sync.Mutex

	// mu guards the memory below and is held only to copy in or out. Jobs and
	// files are never changed in place: a change puts a new one there.
	mu       sync.RWMutex
	live     map[int64]*queue.Job
	queued   map[string][]*group // by kind
	added    uint64              // counts jobs that came into the queue
	printers []*printer
	byName   map[string]*printer
	hours    queue.Hours
	stock    queue.Stock
	eyesOff  bool           // nobody is called to first layers
	mishaps  []queue.Mishap // that need a decision, newest first
	tally    store.Tally
	stale    bool                     // the tally is older than the ledger
	leases   map[string][]power.Lease // by circuit
	closing  bool                     // nothing starts any more

	// What the owner may change while the house runs; see Declare.
	declared   atomic.Pointer[[]power.Circuit]
	surfaces   queue.Surfaces
	startDelay time.Duration

	subMu sync.Mutex
	subs  map[chan struct{}]struct{}
}

// stage is what the dispatcher does with a printer, beside the printer's own phase.
type stage int

const (
	idle     stage = iota // Exits: starting, clearing, asking.
	starting              // recorded as started, the printer is asked. Exits: running, idle (refused).
	running               // the outcome is awaited. Exit: ending.
	ending                // the outcome is being recorded. Exit: idle.
	clearing              // the clearing routine runs. Exit: idle.
	asking                // lent or taken back just now. Exit: idle.
)

// printer is the dispatcher's memory of one printer, guarded by Dispatcher.mu;
// dev never changes, nor do conf's name, kind, circuit and clearing routine.
type printer struct {
	conf  Machine
	dev   Printer
	facts queue.Facts

	stage    stage
	run      *queue.Run         // in starting, running, ending
	job      *queue.Job         // its job as it was at the start
	layers   []queue.LayerDraw  // of its file, from the start on
	recorded chan struct{}      // closed when the run's end is on the disk
	callOff  context.CancelFunc // in starting: the start is not wanted any more
	stopped  string             // in starting: a person's words on why not
	cancel   bool               // the job is cancelled: its end needs no decision
	pending  string             // why an outcome is not on the disk yet

	reelFromMM float64 // filament of the run that the loaded reel did not give, or that its weighing holds

	startsAt time.Time // hands were here: nothing starts before
	retryAt  time.Time // a start was refused: not again before
	refused  string    // with these words
	refusals int       // in a row
	next     *queue.Job
	changed  uint64   // counts changes of facts
	nothing  question // was answered with 'no job' the last time

	waitsPower time.Time // since when a job waits for watts, zero when none does
	powerNo    string

	ready  bool // was ready once since the daemon started
	boots  int  // boots counted when it was ready last
	goneAt time.Time
}

// know takes in what has changed by hand or by a run. The caller holds mu.
func (p *printer) know(f queue.Facts) {
	p.facts = f
	p.changed++
}

// New loads the house from the store. Run must be called for anything to happen.
func New(ctx context.Context, o Options) (*Dispatcher, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Pace <= 0 {
		o.Pace = 1
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.StartDelay == 0 {
		o.StartDelay = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	d := &Dispatcher{o: o, wake: make(chan struct{}, 1), pulse: make(chan struct{}), live: map[int64]*queue.Job{}, queued: map[string][]*group{},
		byName: map[string]*printer{}, leases: map[string][]power.Lease{}, subs: map[chan struct{}]struct{}{}}
	d.declared.Store(&o.Circuits)
	d.surfaces, d.startDelay = o.Surfaces, o.StartDelay
	names := make([]string, len(o.Machines))
	for i, m := range o.Machines {
		names[i] = m.Name
	}
	facts, err := o.Store.Printers(ctx, names)
	if err != nil {
		return nil, err
	}
	for _, m := range o.Machines {
		dev := o.Printers[m.Name]
		if m.Kind == queue.ByHand {
			dev = &byHand{name: m.Name}
		}
		if dev == nil {
			return nil, fmt.Errorf("printer %s is configured but not in the fleet", m.Name)
		}
		if m.Circuit != "" && d.circuit(m.Circuit) == nil {
			return nil, fmt.Errorf("printer %s hangs on circuit %s, which is not configured", m.Name, m.Circuit)
		}
		// Whether hands are at a machine as the daemon starts, nobody knows.
		p := &printer{conf: m, dev: dev, facts: facts[m.Name], startsAt: d.now().Add(max(o.StartDelay, 0))}
		d.printers = append(d.printers, p)
		d.byName[m.Name] = p
	}
	jobs, err := o.Store.LiveJobs(ctx)
	if err != nil {
		return nil, err
	}
	for i := range jobs {
		j := &jobs[i]
		d.live[j.ID] = j
		if j.State == queue.Queued {
			d.enqueue(j)
		}
	}
	if err := d.resumeByHand(ctx); err != nil {
		return nil, err
	}
	if d.hours, err = o.Store.Hours(ctx); err != nil {
		return nil, err
	}
	if d.stock, err = o.Store.Stock(ctx); err != nil {
		return nil, err
	}
	eyes, err := o.Store.Setting(ctx, store.KeyEyes)
	if err != nil {
		return nil, err
	}
	d.eyesOff = eyes == "off"
	if d.tally, err = o.Store.Tally(ctx); err != nil {
		return nil, err
	}
	if d.mishaps, err = o.Store.Mishaps(ctx, false); err != nil {
		return nil, err
	}
	return d, nil
}

// Run dispatches until ctx ends. Then nothing starts any more, and it returns
// when every outcome that the fleet still delivers is recorded: end the fleet's
// context with this one or after it, and close the store after both returned.
func (d *Dispatcher) Run(ctx context.Context) error {
	changed, done := d.o.Notify()
	defer done()
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		again := d.pass(ctx)
		timer.Stop()
		var after <-chan time.Time
		if !again.IsZero() {
			timer.Reset(max(0, time.Duration(float64(again.Sub(d.now()))/d.o.Pace)) + time.Millisecond)
			after = timer.C
		}
		select {
		case <-changed:
		case <-d.wake:
		case <-d.pulse:
		case <-after:
		case <-ctx.Done():
			d.turn.Lock()
			d.mu.Lock()
			d.closing = true
			for _, p := range d.printers {
				if p.callOff != nil {
					p.callOff()
				}
			}
			d.mu.Unlock()
			d.turn.Unlock()
			d.wg.Wait()
			return nil
		}
	}
}

// Alive returns when Run's loop has answered, or with ctx's error when it has
// not: then it hangs, or does not run.
func (d *Dispatcher) Alive(ctx context.Context) error {
	select {
	case d.pulse <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (d *Dispatcher) now() time.Time { return d.o.Now().In(d.o.Zone) }

// poke makes the dispatcher look again, and tells the subscribers.
func (d *Dispatcher) poke() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
	d.tell()
}

// Subscribe returns a channel that holds a value after anything in View may have
// changed, however often, and a function that ends the subscription. Progress of
// printers is reported by the fleet's own subscription, which it includes.
func (d *Dispatcher) Subscribe() (<-chan struct{}, func()) {
	ch := make(chan struct{}, 1)
	d.subMu.Lock()
	d.subs[ch] = struct{}{}
	d.subMu.Unlock()
	return ch, func() {
		d.subMu.Lock()
		delete(d.subs, ch)
		d.subMu.Unlock()
	}
}

// Touch tells the subscribers that something beside the dispatcher changed that
// they show together with its View.
func (d *Dispatcher) Touch() { d.tell() }

func (d *Dispatcher) tell() {
	d.subMu.Lock()
	defer d.subMu.Unlock()
	for ch := range d.subs {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

// refresh reads the open mishaps anew, and has the sums added up after the next
// decision: that one is not to wait for them. The caller holds turn.
func (d *Dispatcher) refresh(ctx context.Context) {
	mishaps, err := d.o.Store.Mishaps(ctx, false)
	if err != nil {
		d.o.Log.Error("the list of mishaps is stale", "err", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stale = true
	if err == nil {
		d.mishaps = mishaps
	}
}

// addUp sums the ledger up when it has changed. The caller holds turn.
func (d *Dispatcher) addUp(ctx context.Context) {
	d.mu.RLock()
	stale := d.stale
	d.mu.RUnlock()
	if !stale {
		return
	}
	tally, err := d.o.Store.Tally(ctx)
	if err != nil {
		d.o.Log.Error("the sums of the ledger are stale", "err", err)
		return
	}
	d.mu.Lock()
	d.tally, d.stale = tally, false
	d.mu.Unlock()
}
