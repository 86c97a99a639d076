package plan

import (
	"math"
	"sync/atomic"
	"time"
)

// schedule says how an annealing run cools.
type schedule struct {
	hot, cold float64       // temperatures at its start and end, in parts of the mean load
	cycles    int           // how often it cools; 0 is once
	budget    time.Duration // 0: moves alone decide
	moves     int           // 0: the time alone decides
	stopAt    *atomic.Int32 // no plan can be shorter: stop when it is reached
}

// anneal improves what the engine holds and leaves the best of it in best. It
// gives back how many changes it tried.
func (e *engine) anneal(s schedule, best *solution) int {
	e.target = float64(best.span - 1)
	e.reprice()
	least := e.sum // the energy of best
	var mean float64
	for _, c := range e.end {
		mean += float64(c)
	}
	mean /= float64(max(e.m, 1))
	began := time.Now()
	tried := 0
	ratio := s.cold / s.hot
	const stride = 256
	better := func() {
		now := solution{span: e.span(), lost: e.allLost(), late: e.late(), energy: e.minor()}
		if now.better(best) {
			e.save(best)
			e.target = float64(best.span - 1)
			e.reprice()
			least = e.sum
		}
	}
	for {
		var done float64
		if s.moves > 0 {
			done = float64(tried) / float64(s.moves)
		}
		if s.budget > 0 {
			done = max(done, float64(time.Since(began))/float64(s.budget))
		}
		if done >= 1 || best.span <= s.stopAt.Load() && best.lost == 0 {
			if e.rules != nil && e.sum < least {
				better()
			}
			return tried
		}
		_, part := math.Modf(done * float64(max(s.cycles, 1)))
		temp := s.hot * mean * math.Pow(ratio, part)
		for range stride {
			if e.change(temp) && (e.sum < least-worthSaving || e.span() < best.span || best.lost > 0) {
				better()
			}
		}
		tried += stride
	}
}

// worthSaving is a gain of energy for which a house's plan is copied at once, and
// not only at the end.
const worthSaving = 0.5

// change draws one change and keeps it if the temperature allows. It says whether
// it was kept.
func (e *engine) change(temp float64) bool {
	r := e.rng.next()
	slack := temp * logs[r&4095]
	r >>= 12
	if len(e.parts) > 0 && e.rng.below(64) == 0 {
		return e.otherWay(slack)
	}
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
		if e.on[j] < 0 {
			return false
		}
		i, k = int(e.on[j]), int(e.at[j])
	}
	r >>= 10
	j := e.seq[i][k]
	switch kind := r & 1023; {
	case kind < 410: // swap with a job of another printer
		o := int32(e.rng.below(e.n))
		l := int(e.on[o])
		if l < 0 || l == i || e.dur[l*e.n+int(j)] < 0 || e.dur[i*e.n+int(o)] < 0 {
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
	case kind < 768 && e.slotMin > 0: // the slots of two printers, the other one first
		o := int32(e.rng.below(e.n))
		l := int(e.on[o])
		if l < 0 || l == i {
			return false
		}
		e.same(&e.a, l, int(e.at[o]))
		e.same(&e.b, i, k)
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

// otherWay makes a part in another way, and keeps that if the energy rises by at
// most slack.
func (e *engine) otherWay(slack float64) bool {
	p := e.rng.below(len(e.parts))
	ways := e.parts[p].ways
	to := e.rng.below(len(ways))
	if to == int(e.way[p]) {
		return false
	}
	e.save(e.spare)
	before := e.energy()
	for _, j := range ways[e.way[p]] {
		e.without(&e.a, int(e.on[j]), int(e.at[j]))
		e.on[j] = -1
		e.try(false, math.Inf(1))
	}
	e.way[p] = int32(to)
	for _, j := range ways[to] {
		e.insert(j, 3)
	}
	if e.energy() <= before+slack {
		e.sum = e.energy()
		return true
	}
	target := e.target
	e.load(e.spare)
	e.target = target
	return false
}

func (e *engine) energy() float64 {
	sum := 0.0
	for _, c := range e.cost {
		sum += c
	}
	return sum
}

// insert puts a job that is on no printer into the best of some places drawn; all
// places when draws is 0.
func (e *engine) insert(j int32, draws int) {
	bestCost, at, place := math.Inf(1), -1, 0
	look := func(i, k int) {
		before := e.cost[i]
		e.with(&e.a, i, k, j)
		a := &e.a
		booked := e.rules != nil || e.slotMin > 0
		if booked {
			e.lift(a)
		} else {
			e.backToKept(a)
		}
		e.walkAny(a)
		if booked {
			e.lay(a)
		}
		if cost := a.cost - before; cost < bestCost {
			bestCost, at, place = cost, i, k
		}
	}
	who := e.who[j]
	if draws > 0 {
		for range draws {
			i := int(who[e.rng.below(len(who))])
			look(i, e.rng.below(len(e.seq[i])+1))
		}
	} else {
		for _, i := range who {
			for k := range len(e.seq[i]) + 1 {
				look(int(i), k)
			}
		}
	}
	e.with(&e.a, at, place, j)
	e.try(false, math.Inf(1))
}
