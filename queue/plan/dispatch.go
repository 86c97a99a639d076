package plan

import "slices"

// choice picks one of the open jobs for a printer that can start at s.
type choice func(e *engine, i int, s int32, open []int32) int

// gapAware prefers what leaves little idle before the next attended minute, then
// the long, then what few printers can take.
func gapAware(long, few float64) choice {
	return func(e *engine, i int, s int32, open []int32) int {
		dur := e.dur[i*e.n:]
		longest := float64(e.least[e.byDur[e.n-1]])
		best, at := -1e300, -1
		for k, j := range open {
			p := dur[j]
			if p < 0 {
				continue
			}
			free := s + p
			if f := e.opening(i, free); f < never {
				free = f
			}
			score := float64(p)/float64(max(free-s, 1)) + long*float64(p)/longest - few*float64(len(e.who[j]))/float64(e.m)
			if score > best {
				best, at = score, k
			}
		}
		return at
	}
}

// longest takes the longest job that fits: the rule LPT.
func longest(e *engine, i int, s int32, open []int32) int {
	best, at := int32(-1), -1
	for k, j := range open {
		if p := e.dur[i*e.n+int(j)]; p > best {
			best, at = p, k
		}
	}
	return at
}

// inList takes the next in the list that fits.
func inList(e *engine, i int, s int32, open []int32) int {
	for k, j := range open {
		if e.dur[i*e.n+int(j)] >= 0 {
			return k
		}
	}
	return -1
}

// sortByDur works out the shortest duration of each job on any printer, and the
// order of the jobs by it.
func (in *instance) sortByDur() {
	in.least, in.byDur = make([]int32, in.n), make([]int32, in.n)
	for j := range in.n {
		in.byDur[j] = int32(j)
		in.least[j] = never
		for _, i := range in.who[j] {
			in.least[j] = min(in.least[j], in.dur[int(i)*in.n+j])
		}
	}
	slices.SortStableFunc(in.byDur, func(a, b int32) int { return int(in.least[a] - in.least[b]) })
}

// hold keeps (1) or gives back (-1) the slot in which a printer will start next, so
// that a rule sees which mornings are taken.
func (e *engine) hold(i int, start, by int32) {
	switch {
	case start >= never:
	case e.slotMin > 0:
		e.book(start, by)
	case e.rules != nil && e.rules.handsMin > 0:
		e.rules.book(i, start, e.rules.handsMin, by)
	}
}

// opening is the next minute at or after t at which a printer could start something.
func (e *engine) opening(i int, t int32) int32 {
	if r := e.rules; r != nil && !r.always[i] && r.handsMin > 0 {
		for {
			if uint(t) >= uint(len(r.att[r.handsMin])) {
				return never
			}
			if t = r.att[r.handsMin][t]; t >= never {
				return never
			}
			slot := r.nextHands(t/slotMin, r.handsMin)
			if slot == t/slotMin {
				return t
			}
			if t = slot * slotMin; slot >= r.lastSlot {
				return never
			}
		}
	}
	return e.first(e.table[i], t)
}

// dispatch builds a plan as a rule at the machines would: whichever printer can
// start next takes the job that the rule picks.
func (e *engine) dispatch(pick choice) {
	clear(e.used)
	if e.rules != nil {
		e.rules.clear()
	}
	open := make([]int32, 0, e.n)
	for j := range int32(e.n) {
		e.on[j] = -1
		if e.wanted(j) {
			open = append(open, j)
		}
	}
	free := append([]int32(nil), e.ready...)
	done := make([]bool, e.m)
	for i := range e.m {
		e.seq[i], e.start[i] = e.seq[i][:0], e.start[i][:0]
	}
	next := make([]int32, e.m)
	for i := range e.m {
		next[i] = e.opening(i, free[i])
		e.hold(i, next[i], 1)
	}
	for len(open) > 0 {
		at := -1
		for i := range e.m {
			if !done[i] && next[i] < never && (at < 0 || next[i] < next[at]) {
				at = i
			}
		}
		if at < 0 {
			break
		}
		s := next[at]
		k := pick(e, at, s, open)
		if k < 0 {
			done[at] = true
			e.hold(at, s, -1)
			continue
		}
		j := open[k]
		open = append(open[:k], open[k+1:]...)
		e.seq[at] = append(e.seq[at], j)
		e.start[at] = append(e.start[at], s)
		free[at] = s + e.dur[at*e.n+int(j)]
		next[at] = e.opening(at, free[at])
		e.hold(at, next[at], 1)
	}
	for i := range e.m {
		if !done[i] {
			e.hold(i, next[i], -1)
		}
	}
	for _, j := range open { // nobody is there to start them any more
		i := e.who[j][0]
		e.seq[i] = append(e.seq[i], j)
		e.start[i] = append(e.start[i], never)
	}
	if e.rules != nil {
		seq := make([][]int32, e.m)
		for i := range e.m {
			seq[i] = slices.Clone(e.seq[i])
		}
		e.unfold(seq, nil)
		e.target = float64(e.span())
	} else {
		for i := range e.m {
			e.settle(i)
		}
	}
	e.reprice()
}
