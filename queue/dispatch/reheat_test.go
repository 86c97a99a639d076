package dispatch

import (
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/fleet/power"
	"undercroft/queue"
)

// A machine whose firmware let its heat go in a pause and heats anew counts with
// its heating watts, and nothing else starts beside it before it is hot.
func TestAReheatCountsLikeAHeatUp(t *testing.T) {
	circuit := power.Circuit{Name: "vault", Volts: 100, BreakerA: 10, Share: 1} // 1000 W
	in(t, []string{"Bittern", "Curlew"}, func(o *Options) {
		o.Circuits = []power.Circuit{circuit}
		loads(o.Machines, "vault", power.Load{HeatingW: 600, SteadyW: 200})
	}, func(t *testing.T, h *house) {
		jobs := h.add(quick("wing"), 2, nil)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b := h.f.all["Bittern"]
		b.hot()
		leased := func() float64 { sleep(time.Second); return h.View().Circuits[0].LeasedW }
		if w := leased(); w != 200 {
			t.Errorf("hot: %g W", w)
		}
		heat := func(actual float64) {
			b.set(func(s *fleet.Snapshot) { s.Link.Heaters = []link.Heater{{Name: "T0", ActualC: actual, TargetC: 210}} })
		}
		heat(120)
		if w := leased(); w != 600 {
			t.Errorf("heating anew: %g W", w)
		}
		h.cleared("Curlew")
		sleep(2 * time.Minute)
		h.want(jobs[1].ID, queue.Queued)
		heat(208)
		if w := leased(); w != 800 {
			t.Errorf("hot once more, and the other heats: %g W", w)
		}
		h.want(jobs[1].ID, queue.Running)
	})
}
