package fleet

import (
	"maps"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"undercroft/fleet/link"
)

// ledger keeps debts as a store does.
type ledger struct {
	mu   sync.Mutex
	owed map[string]map[string][]float64
}

func (d *ledger) KeepOwed(printer string, owed map[string][]float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.owed[printer] = owed
}

func (d *ledger) of(printer string) map[string][]float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.owed[printer]
}

// hotter is a machine that comes back with other targets than it last reported.
func (b *bench) hotter(nozzleC, bedC float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.prep = func(_ string, n *fakeLink) {
		n.st.Heaters = []link.Heater{{Name: "T0", ActualC: 60, TargetC: nozzleC, Duty: -1}, {Name: "B", ActualC: 40, TargetC: bedC, Duty: -1}}
	}
}

// unreported breaks the link before any report has shown a target.
func (c *fakeLink) unreported() {
	c.with(func() {
		c.st.Heaters = []link.Heater{{Name: "T0", ActualC: 20, Duty: -1}, {Name: "B", ActualC: 20, Duty: -1}}
		c.fail(link.CausePortLost, "pulled")
	})
}

func (c *fakeLink) sets(nozzleC, bedC float64) {
	c.with(func() {
		c.st.Heaters = []link.Heater{{Name: "T0", ActualC: 60, TargetC: nozzleC, Duty: -1}, {Name: "B", ActualC: 30, TargetC: bedC, Duty: -1}}
	})
}

// A target that was sent is ours before a report has shown it: when the cable
// goes in that moment, the machine is cooled, and a stranger's target is not.
func TestTargetsSentAndNotReported(t *testing.T) {
	for _, k := range []struct {
		name         string
		nozzle, bed  float64 // what it comes back with
		late         time.Duration
		lateN, lateB float64 // and what it comes to after that
		rest         Phase
	}{
		{"both", 200, 60, 0, 0, 0, Cooling},
		{"the bed alone", 0, 60, 0, 0, 0, Cooling},
		{"a stranger's", 180, 0, 0, 0, 0, Lent},
		{"ours and a stranger's", 200, 75, 0, 0, 0, Lent},
		{"late", 0, 0, 2 * time.Minute, 200, 60, Cooling},
		{"late, a stranger's", 0, 0, 2 * time.Minute, 185, 0, Lent},
		{"much later, as we had it", 0, 0, time.Hour, 200, 60, Lent},
	} {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				debts := &ledger{owed: map[string]map[string][]float64{}}
				b := newBench(t, []string{"Curlew"}, func(o *Options) { o.Debts = debts })
				defer b.finish()
				b.await("Curlew", Ready, time.Minute)
				var j journal
				r, _ := piece(1, 50, &j)
				out := start(t, b, "Curlew", r)
				b.await("Curlew", Warming, time.Minute)
				time.Sleep(500 * time.Millisecond) // the head of the file is sent
				b.hotter(k.nozzle, k.bed)
				b.newest("Curlew").unreported()
				outcome(t, out, time.Minute)
				time.Sleep(100 * time.Millisecond)
				want := map[string][]float64{"T0": {200}, "B": {60}}
				if got := debts.of("Curlew"); !maps.EqualFunc(got, want, slices.Equal[[]float64]) {
					t.Errorf("kept is %v, want %v", got, want)
				}
				if k.late > 0 {
					b.await("Curlew", Ready, time.Minute)
					time.Sleep(k.late)
					b.newest("Curlew").sets(k.lateN, k.lateB)
				}
				b.await("Curlew", k.rest, time.Minute)
				if k.rest == Lent {
					if b.newest("Curlew").did("M104 S0") {
						t.Error("a stranger's heat was turned off")
					}
					return
				}
				for _, h := range b.newest("Curlew").State().Heaters {
					if h.TargetC != 0 {
						t.Errorf("still heated: %+v", h)
					}
				}
				b.await("Curlew", Ready, 10*time.Minute)
				if got := debts.of("Curlew"); len(got) > 0 {
					t.Errorf("cooled, and still owed: %v", got)
				}
			})
		})
	}
}

// What is owed outlives two daemons.
func TestOwedOutlivesTheDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		owed := map[string]map[string][]float64{"Curlew": {"T0": {200}, "B": {60}}}
		for range 2 {
			debts := &ledger{owed: map[string]map[string][]float64{}}
			b := newBench(t, []string{"Curlew"}, func(o *Options) { o.Owed, o.Debts = owed, debts })
			b.mu.Lock()
			b.there["/dev/Curlew"] = false
			b.mu.Unlock()
			time.Sleep(10 * time.Second)
			b.finish()
			owed = debts.owed
		}
		b := newBench(t, []string{"Curlew"}, func(o *Options) { o.Owed = owed })
		defer b.finish()
		b.hotter(200, 60)
		b.await("Curlew", Cooling, time.Minute)
	})
}
