package plan

import "time"

// Figures are what a bench wants to know of a problem apart from its plan.
type Figures struct {
	FirstMS        float64 // until the first feasible plan
	BoundMS        float64
	BoundMin       int
	MovesPerSecond float64 // of one search
}

// Measure takes Figures of a problem: its dispatch, its bound without a limit on
// time, and a quarter of a second of search.
func Measure(p *Problem) Figures {
	var f Figures
	began := time.Now()
	m := build(p)
	e := m.engine(0)
	e.dispatch(gapAware(weights[0][0], weights[0][1]))
	f.FirstMS = float64(time.Since(began).Microseconds()) / 1000
	s := &solution{}
	e.save(s)
	began = time.Now()
	lower := newBounder(m.in, m.wide, m.always).shortest(s.span, time.Minute)
	f.BoundMS = float64(time.Since(began).Microseconds()) / 1000
	f.BoundMin = int(lower)
	began = time.Now()
	tried := e.anneal(schedule{hot: coldHot, cold: endCold, budget: 250 * time.Millisecond, stopAt: &m.lower}, s)
	f.MovesPerSecond = float64(tried) / time.Since(began).Seconds()
	return f
}
