package fleet

import (
	"context"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

// Options are what a fleet is made of. Nil functions and zero values take the
// defaults named.
type Options struct {
	Specs []Spec
	// Now is house time; nil: time.Now.
	Now func() time.Time
	// Pace is house seconds per real second; 0: 1. Only virtual printers run at
	// another pace.
	Pace     float64
	OpenPort func(path string, baud int) (link.Port, error) // nil: link.OpenPort
	// PathThere says whether a link path exists; nil: the file system is asked,
	// and paths that are no files always exist.
	PathThere func(path string) bool
	Log       *slog.Logger // nil: nothing is logged
	// Owed are targets, by printer and heater, that runs of ours may have left
	// when an earlier daemon died. A machine that is found with some of these and
	// no others is cooled; with any other it counts as driven by somebody else.
	Owed map[string]map[string][]float64
	// Debts keeps the same over a restart; nil: what the fleet learns of it is
	// lost with this process.
	Debts Debts
	// MayHeat is asked before a held run that was let cool heats again: nil when
	// its circuit carries that now. It must not wait for the fleet. nil: it does.
	MayHeat func(printer string) error

	// Curves keeps how each printer's heaters warm up, and how long it homes; nil:
	// learned anew each time.
	Curves Curves

	// connect is replaced by tests.
	connect func(link.Port, link.Options) conn
}

// Debts keeps the targets that a machine may still have from us, while its link
// is away. It may be called from any goroutine. An empty set: nothing is owed.
type Debts interface {
	KeepOwed(printer string, owed map[string][]float64)
}

// Curves keeps what a machine teaches of itself over restarts. All may be called
// from any goroutine; what is lost is learned again.
type Curves interface {
	Curves(printer string) []watch.Curve
	KeepCurve(printer string, c watch.Curve)
	// KeepConstant takes how long homing or levelling took once, in seconds.
	KeepConstant(printer string, what watch.Constant, seconds float64)
}

// conn is what the fleet uses of a link.
type conn interface {
	Changed() <-chan struct{}
	State() link.State
	Notices() []link.Notice
	Do(ctx context.Context, cmd string) ([]string, error)
	Stream(src link.Source) error
	Suspend()
	Resume()
	Abort()
	EmergencyStop() error
	Close() error
}

// Fleet owns printers.
type Fleet struct {
	o        Options
	printers []*Printer
	byName   map[string]*Printer
	hurry    chan struct{}
	hurried  sync.Once

	mu   sync.Mutex
	subs map[chan struct{}]struct{}
}

// New makes a fleet of the printers in o. Nothing is opened before Run.
func New(o Options) *Fleet {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Pace <= 0 {
		o.Pace = 1
	}
	if o.OpenPort == nil {
		o.OpenPort = link.OpenPort
	}
	if o.PathThere == nil {
		o.PathThere = pathThere
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.connect == nil {
		o.connect = func(p link.Port, lo link.Options) conn { return link.New(p, lo) }
	}
	f := &Fleet{o: o, byName: map[string]*Printer{}, hurry: make(chan struct{}), subs: map[chan struct{}]struct{}{}}
	for _, s := range o.Specs {
		p := newPrinter(s, f)
		f.printers = append(f.printers, p)
		f.byName[s.Name] = p
	}
	return f
}

// Run drives every printer until ctx ends; then it settles them: the line in
// hand is finished, heaters are turned off, the head is parked, and open runs
// end as Interrupted. It returns when every goroutine that it started is gone.
func (f *Fleet) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, p := range f.printers {
		wg.Go(func() { newLoop(p, ctx.Done()).main() })
	}
	wg.Wait()
	return nil
}

// Hurry shortens the settling after Run's context ended: nothing is awaited
// beyond a short attempt to turn the heaters off.
func (f *Fleet) Hurry() { f.hurried.Do(func() { close(f.hurry) }) }

// Printer returns the printer of that name, nil when there is none.
func (f *Fleet) Printer(name string) *Printer { return f.byName[name] }

// Names returns the printers' names in the order of the options.
func (f *Fleet) Names() []string {
	out := make([]string, len(f.printers))
	for i, p := range f.printers {
		out[i] = p.spec.Name
	}
	return out
}

// Subscribe returns a channel that holds a value after any printer's snapshot
// changed, however often, and a function that ends the subscription.
func (f *Fleet) Subscribe() (<-chan struct{}, func()) {
	ch := make(chan struct{}, 1)
	f.mu.Lock()
	f.subs[ch] = struct{}{}
	f.mu.Unlock()
	return ch, func() {
		f.mu.Lock()
		delete(f.subs, ch)
		f.mu.Unlock()
	}
}

func (f *Fleet) notify() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for ch := range f.subs {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

// real turns a house duration into the time that a timer must run.
func (o *Options) real(house time.Duration) time.Duration {
	return time.Duration(float64(house) / o.Pace)
}

func pathThere(path string) bool {
	device, err := link.DevicePath(path)
	if err != nil || !strings.HasPrefix(device, "/") {
		return err == nil
	}
	_, err = os.Stat(device)
	return err == nil
}
