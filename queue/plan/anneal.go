package plan

import (
	"math"
	"sync/atomic"
	"time"
)

// schedule says how an annealing run cools.
type schedule struct {
	hot, cold float64       // temperatures at its start and end, in parts of the mean load
	budget    time.Duration // 0: moves alone decide
	moves     int           // 0: the time alone decides
	stopAt    *atomic.Int32 // no plan can be shorter: stop when it is reached
}

// anneal improves what the engine holds and leaves the best of it in best. It
// gives back how many changes it tried.
func (e *engine) anneal(s schedule, best *solution) int {
	e.target = float64(best.span - 1)
	e.reprice()
	var mean float64
	for _, c := range e.end {
		mean += float64(c)
	}
	mean /= float64(max(e.m, 1))
	began := time.Now()
	tried := 0
	ratio := s.cold / s.hot
	temp := s.hot * mean
	const stride = 256
	for {
		var done float64
		if s.moves > 0 {
			done = float64(tried) / float64(s.moves)
		}
		if s.budget > 0 {
			done = max(done, float64(time.Since(began))/float64(s.budget))
		}
		if done >= 1 || best.span <= s.stopAt.Load() && best.lost == 0 {
			return tried
		}
		temp = s.hot * mean * math.Pow(ratio, done)
		for range stride {
			if e.change(temp) && (e.span() < best.span || e.lost[e.worst] < best.lost) {
				now := solution{span: e.span(), lost: e.allLost()}
				if now.better(best) {
					e.save(best)
					e.target = float64(best.span - 1)
					e.reprice()
				}
			}
		}
		tried += stride
	}
}

// change draws one change and keeps it if the temperature allows. It says whether
// it was kept.
func (e *engine) change(temp float64) bool {
	r := e.rng.next()
	slack := temp * logs[r&4095]
	r >>= 12
	// A third of the picks come from the printer that ends last.
	var i, k int
	if r&1023 < 341 {
		i = int(e.worst)
		if len(e.seq[i]) == 0 {
			return false
		}
		k = e.rng.below(len(e.seq[i]))
	} else {
		j := e.rng.below(e.n)
		i, k = int(e.on[j]), int(e.at[j])
	}
	r >>= 10
	j := e.seq[i][k]
	switch kind := r & 1023; {
	case kind < 410: // swap with a job of another printer
		o := int32(e.rng.below(e.n))
		l := int(e.on[o])
		if l == i || e.dur[l*e.n+int(j)] < 0 || e.dur[i*e.n+int(o)] < 0 {
			return false
		}
		e.swapped(&e.a, i, k, o)
		e.swapped(&e.b, l, int(e.at[o]), j)
		return e.try(true, slack)
	case kind < 717: // to a place on another printer
		who := e.who[j]
		l := int(who[e.rng.below(len(who))])
		if l == i {
			return false
		}
		e.without(&e.a, i, k)
		e.with(&e.b, l, e.rng.below(len(e.seq[l])+1), j)
		return e.try(true, slack)
	default: // another order on this printer
		n := len(e.seq[i])
		l := e.rng.below(n)
		if l == k {
			return false
		}
		if r&1024 != 0 {
			e.exchanged(&e.a, i, min(k, l), max(k, l))
		} else {
			e.moved(&e.a, i, k, l)
		}
		return e.try(false, slack)
	}
}
