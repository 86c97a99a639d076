package plan

import (
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Options say how much is spent on a plan. Without any, the dispatched plan is
// given back as it is.
type Options struct {
	Budget time.Duration // as long as it may take, everything included
	Moves  int           // changes tried, on each of Threads; with Budget 0 the same seed gives the same plan
	Seed   uint64
	// Threads is how many searches run side by side with seeds of their own; the
	// best is taken. 0 is one.
	Threads int
}

// Solve plans a problem. It never fails: what cannot be planned is left out and
// named. A problem from outside comes through ReadProblem, which bounds it.
func Solve(p *Problem, o Options) Answer {
	began := time.Now()
	m := build(p)
	best, _ := m.solve(o, began)
	a := Answer{Starts: []Start{}, LeftOut: m.leftOut, Notes: m.notes}
	for i := range best.seq {
		for k, j := range best.seq[i] {
			name := p.Jobs[m.jobs[j]].ID
			s := best.start[i][k]
			if s >= never {
				a.LeftOut = append(a.LeftOut, LeftOut{name, "the home hours given end before it could start"})
				continue
			}
			a.Starts = append(a.Starts, Start{name, p.Printers[i].Name, int(s), int(s + m.in.dur[i*m.in.n+int(j)])})
		}
	}
	slices.SortFunc(a.Starts, func(x, y Start) int {
		if x.StartMin != y.StartMin {
			return x.StartMin - y.StartMin
		}
		return m.printer[x.Printer] - m.printer[y.Printer]
	})
	a.MakespanMin, a.BoundMin = int(best.span), int(m.lower.Load())
	a.MS = float64(time.Since(began).Microseconds()) / 1000
	return a
}

// model is a problem with what its engine works on.
type model struct {
	in      *instance
	spans   [][]Window
	wide    [][]Window // what the bound allows; see widest
	always  []bool
	jobs    []int          // by job of the instance: its place in the problem
	printer map[string]int // place by name
	leftOut []LeftOut
	notes   []string
	lower   atomic.Int32

	rules  *rules // of a house
	before *Plan  // the house's plan so far
	bounds *model // the plain problem that bounds a house's; nil: this one
	house  *House
}

func build(p *Problem) *model {
	m := &model{printer: map[string]int{}}
	home, wide := startSpans(p.Home, 0), widest(p.Home, 0)
	if len(p.People) > 0 {
		home, wide = nil, nil
		for _, x := range p.People {
			w := x.Home
			if w == nil {
				w = p.Home
			}
			home = append(home, startSpans(w, x.HandsMin)...)
			wide = append(wide, widest(w, x.HandsMin)...)
		}
		home, wide = union(home), union(wide)
	}
	for i, x := range p.Printers {
		m.printer[x.Name] = i
		m.always = append(m.always, x.SelfClearing)
		if x.SelfClearing {
			m.spans, m.wide = append(m.spans, nil), append(m.wide, nil)
		} else {
			m.spans, m.wide = append(m.spans, home), append(m.wide, wide)
		}
	}
	if len(home) == 0 && slices.Contains(m.always, false) {
		m.notes = append(m.notes, "there are no home hours at all: nobody can start a job on a printer that does not clear itself")
	}
	in := &instance{m: len(p.Printers)}
	var minutes []int32 // by job and printer in who
	startable := make([]bool, in.m)
	for i := range startable {
		startable[i] = nextIn(m.spans[i], m.always[i], int32(p.Printers[i].ReadyMin)) < never
	}
	for k, j := range p.Jobs {
		var who []int32
		known := 0
		for i := range p.Printers {
			if d, ok := j.Minutes[p.Printers[i].Name]; ok {
				known++
				if startable[i] {
					who, minutes = append(who, int32(i)), append(minutes, int32(d))
				}
			}
		}
		if known < len(j.Minutes) {
			for name := range j.Minutes {
				if _, ok := m.printer[name]; !ok {
					m.notes = append(m.notes, fmt.Sprintf("job %s names printer %s, which is not in the list", j.ID, name))
				}
			}
		}
		switch {
		case known == 0:
			m.leftOut = append(m.leftOut, LeftOut{j.ID, "no printer can take it"})
		case len(who) == 0:
			m.leftOut = append(m.leftOut, LeftOut{j.ID, "no home hour is left on any printer that can take it"})
		default:
			in.who = append(in.who, who)
			m.jobs = append(m.jobs, k)
		}
	}
	slices.Sort(m.notes)
	in.n = len(m.jobs)
	in.dur = make([]int32, in.n*in.m)
	for i := range in.dur {
		in.dur[i] = -1
	}
	for j := range in.n {
		for k, i := range in.who[j] {
			in.dur[int(i)*in.n+j] = minutes[k]
		}
		minutes = minutes[len(in.who[j]):]
	}
	in.sortByDur()
	for _, x := range p.Printers {
		in.ready = append(in.ready, int32(x.ReadyMin))
	}
	if p.StartCap != nil {
		in.slotMin, in.cap = int32(p.StartCap.SlotMin), int32(p.StartCap.Starts)
	}
	m.in = in
	m.layTables(m.horizon())
	return m
}

// horizon is a minute beyond which no plan worth having starts a job: twice the
// end of a plan dispatched without tables, or the end of the home hours.
func (m *model) horizon() int32 {
	last := int32(0)
	free := slices.Clone(m.in.ready)
	next := make([]int32, len(free))
	for i, f := range free {
		next[i] = nextIn(m.spans[i], m.always[i], f)
	}
	for _, j := range m.in.byDur {
		best, at := never, -1
		for _, i := range m.in.who[j] {
			if end := next[i] + m.in.dur[int(i)*m.in.n+int(j)]; end < best {
				best, at = end, int(i)
			}
		}
		if at < 0 { // the home hours end: they are the horizon
			last = 0
			for i, w := range m.spans {
				if m.always[i] {
					last = max(last, free[i])
				} else if len(w) > 0 {
					last = max(last, int32(w[len(w)-1][1]))
				}
			}
			return last + 1
		}
		free[at], next[at] = best, nextIn(m.spans[at], m.always[at], best)
		last = max(last, best)
	}
	h := last*2 + 1440
	if m.in.slotMin > 0 && m.in.cap > 0 {
		h += int32(m.in.n) / m.in.cap * m.in.slotMin * 2
	}
	return h
}

func (m *model) layTables(horizon int32) {
	in := m.in
	made := map[string][]int32{}
	for i := range in.m {
		k := fmt.Sprint(m.always[i], len(m.spans[i]) > 0)
		if made[k] == nil {
			made[k] = tableOf(m.spans[i], m.always[i], horizon)
		}
		in.table = append(in.table, made[k])
	}
	if in.slotMin > 0 {
		in.slots = int(horizon/in.slotMin) + 1
	}
}

// weights are the mixes that gap-aware dispatch tries.
var weights = [][2]float64{{0.5, 0.5}, {1, 0.5}, {0.3, 0.3}, {2, 1}, {0, 0.5}}

// engine is a new engine for the model.
func (m *model) engine(seed uint64) *engine {
	e := newEngine(m.in, seed)
	if m.rules != nil {
		e.takeRules(m.rules.clone())
	}
	return e
}

func (m *model) solve(o Options, began time.Time) (*solution, int) {
	e := m.engine(o.Seed)
	best := &solution{}
	if m.in.n == 0 {
		best.seq, best.start, best.span = make([][]int32, m.in.m), make([][]int32, m.in.m), m.in.base
		return best, 0
	}
	if m.before != nil {
		m.warm(e)
		e.save(best)
		// After a great change it may be better to begin anew.
		e.dispatch(gapAware(weights[0][0], weights[0][1]))
		s := &solution{}
		if e.save(s); s.better(best) {
			best = s
		}
		return m.search(o, began, best, warmHot)
	}
	for k, w := range weights {
		if k > 0 && o.Budget > 0 && time.Since(began) > o.Budget/10 {
			break
		}
		e.dispatch(gapAware(w[0], w[1]))
		s := &solution{}
		e.save(s)
		if k == 0 || s.better(best) {
			best = s
		}
	}
	return m.search(o, began, best, m.heat())
}

// heat is the temperature from which a cold search starts. Few jobs are mixed
// through several times; many would not settle in the time.
func (m *model) heat() float64 {
	if m.in.n <= few {
		return fewHot
	}
	return coldHot
}

// few jobs are searched hotter and in several cycles.
const few = 30

// search anneals from a plan, with the bound worked out beside it.
func (m *model) search(o Options, began time.Time, best *solution, hot float64) (*solution, int) {
	if o.Budget == 0 && o.Moves == 0 {
		m.prove(best, longestBound)
		return best, 0
	}
	n := max(o.Threads, 1)
	plans, tried := make([]*solution, n), make([]int, n)
	var wg sync.WaitGroup
	wg.Go(func() { // beside the search, which ends when it reaches the bound
		budget := longestBound
		if o.Budget > 0 {
			budget = min(budget, o.Budget-time.Since(began))
		}
		m.prove(best, budget)
	})
	for k := range n {
		wg.Go(func() {
			e := m.engine(o.Seed + uint64(k)*0x51ed2701)
			e.load(best)
			s := &solution{}
			e.save(s)
			left := o.Budget
			if left > 0 {
				left -= time.Since(began)
			}
			if left <= 0 && o.Moves == 0 {
				left = 1
			}
			cycles := 1
			if m.in.n <= few {
				cycles = 4
			}
			tried[k] = e.anneal(schedule{cycles: cycles, hot: hot, cold: endCold, budget: max(0, left), moves: o.Moves, stopAt: &m.lower}, s)
			plans[k] = s
		})
	}
	wg.Wait()
	total := 0
	for k, s := range plans {
		total += tried[k]
		if s.better(best) {
			best = s
		}
	}
	return best, total
}

// Temperatures, in parts of the mean load of a printer, as measured with cmd/bench.
var coldHot, fewHot, warmHot, endCold = 0.004, 0.15, 0.002, 0.0003

// longestBound is what the bound may take beside a search.
const longestBound = 100 * time.Millisecond

// prove finds the bound of the jobs that a plan holds; 0 is known of a plan that
// leaves some out.
func (m *model) prove(s *solution, budget time.Duration) {
	if m.bounds != nil {
		if s.lost == 0 && m.bounds.in.n > 0 {
			m.lower.Store(max(m.in.base, newBounder(m.bounds.in, m.bounds.spans, m.bounds.always).shortest(s.span, budget)))
		}
		return
	}
	if s.lost == 0 {
		m.lower.Store(newBounder(m.in, m.wide, m.always).shortest(s.span, budget))
	}
}
