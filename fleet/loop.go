package fleet

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

// The link may change at every line; the loop looks at most this often. A layer
// record is at most this much late, and sixty printers cost little.
const lookEvery = 50 * time.Millisecond

// tickEvery bounds how late the watch notices that nothing happens.
const tickEvery = time.Second

// reportEvery is how often temperatures are asked for.
const reportEvery = 2 * time.Second

// loop is one printer's owner: only its goroutine touches these fields. Each
// phase is a method that runs until the phase ends and returns the next one.
type loop struct {
	p    *Printer
	f    *Fleet
	spec *Spec
	log  *slog.Logger

	quit    <-chan struct{}
	hurry   <-chan struct{}
	stopped bool // the fleet shuts down and this printer is settled
	wg      sync.WaitGroup

	phase  Phase
	since  time.Time
	why    string
	lentBy string

	c      conn // nil when there is no link
	st     link.State
	boots  int // on links that were closed since
	watch  *watch.Watch
	bad    []watch.Verdict
	asks   []asked
	told   string
	prompt watch.Prompt
	heat   heatRing
	curves []watch.Curve // of its heaters
	// owed are targets that were ours when a link was lost or an earlier daemon
	// died: they are turned off when the machine is reached again and has no others.
	owed     map[string][]float64
	gave     heat                      // by the run that ended last
	debt     chan map[string][]float64 // what is owed, on its way to be kept
	owedTill time.Time                 // in ready: until when that may be
	// owedFault is why the printer faults once that has been done.
	owedFault string

	run        *active
	later      []func()   // outcomes and answers, sent when the next phase is published
	unanswered []*request // taken and not answered yet
	errand     *errand
	looking    bool // it only asks whether somebody uses the machine
	// settleFails counts openings in a row that led to no identified machine.
	settleFails int

	tick *time.Ticker
	rest *time.Timer // until the next look is due
	idle bool        // rest is running
}

// asked is something that the firmware wants of the host.
type asked struct {
	what watch.Ask
	text string
}

func newLoop(p *Printer, quit <-chan struct{}) *loop {
	spec := p.spec // its own: it may be declared anew
	return &loop{
		p: p, f: p.f, spec: &spec, log: p.f.o.Log.With("printer", p.spec.Name),
		quit: quit, hurry: p.f.hurry,
		phase: Absent, since: p.f.o.Now(), why: "not opened yet",
		owed: p.f.o.Owed[p.spec.Name], debt: make(chan map[string][]float64, 1),
	}
}

// main runs the phases one after the other until the fleet shuts down.
func (l *loop) main() {
	if k := l.f.o.Curves; k != nil {
		l.safely(func() { l.curves = k.Curves(l.spec.Name) })
	}
	if l.f.o.Debts != nil {
		l.wg.Go(l.keepDebts)
		if len(l.owed) > 0 {
			l.keepOwed() // the next daemon may have to know it, too
		}
	}
	l.tick, l.rest = time.NewTicker(tickEvery), time.NewTimer(time.Hour)
	l.rest.Stop()
	defer func() {
		l.tick.Stop()
		l.rest.Stop()
		l.safely(l.dropErrand)
		if l.run != nil {
			l.safely(func() { l.deliver(ending{result: Interrupted, cause: "shutdown", text: "the daemon was shut down"}) })
		}
		l.safely(l.hangUp)
		close(l.debt)
		l.wg.Wait()
		l.safely(l.publish)
		l.sendOff()
		close(l.p.done)
	}()
	for !l.stopped {
		l.turn()
	}
}

// turn is one phase and the change to the next. What panics in there faults
// this printer and no other: its run ends, its heaters are turned off if the
// link still allows it.
func (l *loop) turn() {
	defer func() {
		r := recover()
		if r == nil {
			return
		}
		l.log.Error("the printer's loop failed", "phase", l.phase, "panic", r, "stack", string(debug.Stack()))
		why := fmt.Sprintf("the daemon failed inside while the printer was %s (%v). Check the machine, then take it back; please report this", l.phase, r)
		// Whatever failed may fail again: each step stands alone.
		l.safely(l.dropErrandSilently)
		l.safely(l.coolAfterFailure)
		if l.run != nil {
			e := ending{result: Failed, cause: "internal", text: "the daemon failed inside; the other printers run on"}
			l.safely(func() { l.deliver(e) })
		}
		l.safely(l.hangUp)
		l.c, l.errand = nil, nil
		for _, q := range l.unanswered {
			q.answer(nil, l.errorf(ErrNotNow, "%s", why))
		}
		l.phase, l.since, l.why, l.lentBy = Faulted, l.now(), why, ""
		l.safely(l.publish)
		l.sendOff()
		l.stopped = l.quitting()
	}()
	l.enter(l.runPhase())
}

func (l *loop) safely(f func()) {
	defer func() {
		if r := recover(); r != nil {
			l.log.Error("and failed again", "panic", r)
		}
	}()
	f()
}

func (l *loop) runPhase() Phase {
	switch l.phase {
	case Absent:
		return l.absent()
	case Settling:
		return l.settling()
	case Ready:
		return l.ready()
	case Warming:
		return l.warming()
	case Printing:
		return l.printing()
	case Paused:
		return l.paused()
	case Cooling:
		return l.cooling()
	case Lent:
		return l.lent()
	default:
		return l.faulted()
	}
}

// coolAfterFailure tries to turn the heaters off when nothing else of the loop
// can be trusted.
func (l *loop) coolAfterFailure() {
	if l.c == nil {
		return
	}
	l.c.Abort()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := heatersOff(ctx, l.c); err != nil {
		l.log.Warn("heaters could not be confirmed off", "err", err)
	}
}

// to notes why the next phase is entered and returns it.
func (l *loop) to(next Phase, why string) Phase {
	l.why = why
	return next
}

// enter makes a change of phase, if the table allows it.
func (l *loop) enter(next Phase) {
	l.dropErrand()
	defer l.sendOff()
	if next == l.phase {
		l.publish()
		return
	}
	if !mayGo(l.phase, next) {
		l.log.Error("a change of phase that the table does not know", "from", l.phase, "to", next)
		next, l.why = Faulted, fmt.Sprintf("the daemon wanted to go from %s to %s, which is not foreseen. Check the machine, then take it back; please report this", l.phase, next)
		if l.run != nil {
			l.coolAfterFailure()
			l.deliver(ending{result: Failed, cause: "internal", text: l.why})
		}
	}
	l.log.Info("phase", "from", l.phase, "to", next, "why", l.why)
	l.adopt()
	l.phase, l.since = next, l.now()
	if next != Lent {
		l.lentBy = ""
	}
	l.publish()
}

func (l *loop) now() time.Time { return l.f.o.Now() }

func (l *loop) quitting() bool {
	select {
	case <-l.quit:
		return true
	default:
		return false
	}
}

// leave ends the loop from a phase in which no run has to be settled. Heaters
// that are being turned off are waited for.
func (l *loop) leave() Phase {
	l.stopped = true
	if l.errand != nil {
		limit := time.NewTimer(commandLimit)
		defer limit.Stop()
		select {
		case <-l.errand.done:
			l.received()
		case <-limit.C:
		case <-l.hurry:
		}
	}
	l.why = "the daemon was shut down"
	return l.phase
}

// news fires when the link changed and a look is due.
func (l *loop) news() <-chan struct{} {
	if l.c == nil || l.idle {
		return nil
	}
	return l.c.Changed()
}

// looked starts the rest before the next look.
func (l *loop) looked() {
	l.idle = true
	l.rest.Reset(lookEvery)
}

// look takes what the link has to say: state, notices, heat, the watch's
// verdicts, layers of the run; and publishes a snapshot.
func (l *loop) look() {
	if l.c == nil {
		l.publish()
		return
	}
	l.st = l.c.State()
	for _, n := range l.c.Notices() {
		l.hear(n)
	}
	fresh := l.heat.add(l.st.HeatAt, l.now(), l.st.Heaters)
	l.watchOver(fresh)
	if l.run != nil {
		l.record()
	}
	l.publish()
}

// hear sorts one line from the firmware.
func (l *loop) hear(n link.Notice) {
	l.prompt.Hear(n.Text)
	what, text := watch.Read(n.Text)
	switch what {
	case watch.AskNothing:
	case watch.AskTell:
		if text != "" {
			l.told = clip(text, 200)
		}
	default:
		if len(l.asks) < 64 {
			l.asks = append(l.asks, asked{what, clip(text, 200)})
		}
	}
}

// watchOver shows the present state to the watch.
func (l *loop) watchOver(fresh bool) {
	s := watch.Sample{At: time.Now(), HeatAt: l.st.HeatAt, HeardAt: l.st.HeardAt}
	if l.phase == Settling || l.st.Phase == link.Failed || l.st.Phase == link.Closed {
		l.bad = nil
		return
	}
	if fresh {
		s.Heaters = make([]watch.Heater, len(l.st.Heaters))
		for i, h := range l.st.Heaters {
			s.Heaters[i] = watch.Heater{Name: h.Name, ActualC: h.ActualC, TargetC: h.TargetC, Duty: h.Duty}
		}
	}
	if r := l.run; r != nil {
		s.Running = l.st.Phase == link.Streaming && !l.st.Finished
		s.Waiting = l.phase == Paused || watch.WaitsForPerson(l.st.Busy)
		s.Accepted = l.st.Sent > 0 && l.st.Accepted >= l.st.Sent && l.st.Done < l.st.Sent
		s.Moved = l.st.Sent + l.st.Accepted + l.st.Done
		s.NominalS, s.AllowS = r.reach.nominalS, r.reach.allowS
	}
	l.bad = l.watch.Look(s)
	for _, c := range l.watch.Learned() {
		l.curves = slices.DeleteFunc(l.curves, func(k watch.Curve) bool { return k.Heater == c.Heater })
		l.curves = append(l.curves, c)
		if k := l.f.o.Curves; k != nil {
			// Beside the loop: a disk that stalls must not stall it.
			l.wg.Go(func() { l.safely(func() { k.KeepCurve(l.spec.Name, c) }) })
		}
	}
}

// worst returns the gravest verdict that asks for at least an action.
func (l *loop) worst(least watch.Action) (watch.Verdict, bool) {
	if len(l.bad) > 0 && l.bad[0].Action >= least {
		return l.bad[0], true
	}
	return watch.Verdict{}, false
}

// sendOff delivers what was to wait for the publishing of a phase.
func (l *loop) sendOff() {
	for _, f := range l.later {
		f()
	}
	l.later = nil
}

// publish makes the present state everybody's.
func (l *loop) publish() {
	s := &Snapshot{
		Name: l.spec.Name, Phase: l.phase, Since: l.since, Why: l.why,
		Link: l.st, Boots: l.boots + l.st.Boots, LentBy: l.lentBy, Told: l.told,
	}
	if l.c == nil {
		s.Link.Phase = link.Closed
		s.Link.Boots = 0
		s.Boots = l.boots
	}
	for _, v := range l.bad {
		s.Warnings = append(s.Warnings, Warning{Cause: string(v.Cause), Text: v.Text})
	}
	if l.run != nil {
		s.Run = l.progress()
		if l.phase == Paused {
			s.Hold = l.held()
		}
	}
	l.p.snap.Store(s)
	l.f.notify()
}

// pickUp begins a conversation over an opened port.
func (l *loop) pickUp(p link.Port) {
	l.c = l.f.o.connect(p, link.Options{WindowBytes: l.spec.WindowBytes, ReportEvery: reportEvery, Baud: l.spec.Baud, Log: l.log})
	l.st = l.c.State()
	l.asks, l.bad, l.told = nil, nil, ""
	l.prompt = watch.Prompt{}
	l.heat = heatRing{}
	l.watch = watch.New(watch.Options{
		StallAfter: l.spec.StallAfter, MaxNozzleC: l.spec.MaxNozzleC, MaxBedC: l.spec.MaxBedC, HeatPace: l.f.o.Pace, Curves: l.curves,
	})
}

// hangUp closes the link, if there is one. What it last reported stays in the
// snapshot as the last that is known.
func (l *loop) hangUp() {
	if l.c == nil {
		return
	}
	c := l.c
	l.boots += l.st.Boots
	l.c, l.bad, l.asks = nil, nil, nil
	if err := c.Close(); err != nil {
		l.log.Debug("closing the link", "err", err)
	}
	l.st = link.State{Phase: link.Closed, Identity: l.st.Identity, Family: l.st.Family, Heaters: l.st.Heaters, HeatAt: l.st.HeatAt}
}

// took notes a request until it is answered, so that a failure of the loop can
// still answer it.
func (l *loop) took(r *request) {
	kept := l.unanswered[:0]
	for _, q := range l.unanswered {
		if !q.answered {
			kept = append(kept, q)
		}
	}
	l.unanswered = append(kept, r)
	if r.verb == doAnswer {
		r.answer(nil, nil) // and no phase answers it again
	}
}

// refuse answers a request that this phase cannot grant.
func (l *loop) refuse(r *request, kind error, format string, args ...any) {
	r.answer(nil, l.errorf(kind, format, args...))
}

func (l *loop) errorf(kind error, format string, args ...any) error {
	return fmt.Errorf("%s: %s: %w", l.spec.Name, fmt.Sprintf(format, args...), kind)
}

// clip bounds a text from outside.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return s[:n] + "…"
}

// heatRing keeps the temperature reports of the last minutes.
type heatRing struct {
	at   time.Time // of the newest report, the link's clock
	ring []HeatSample
	next int
}

// heatKept reports at one in two seconds are six minutes.
const heatKept = 180

// add keeps a report that is new and says whether it was.
func (h *heatRing) add(at, house time.Time, heaters []link.Heater) bool {
	if at.IsZero() || at.Equal(h.at) {
		return false
	}
	h.at = at
	s := HeatSample{At: house, Heaters: heaters}
	if len(h.ring) < heatKept {
		h.ring = append(h.ring, s)
		return true
	}
	h.ring[h.next] = s
	h.next = (h.next + 1) % heatKept
	return true
}

// samples returns what is kept, the oldest first.
func (h *heatRing) samples() []HeatSample {
	return append(append([]HeatSample(nil), h.ring[h.next:]...), h.ring[:h.next]...)
}
