package plan

// choice picks one of the open jobs for a printer that can start at s.
type choice func(e *engine, i int, s int32, open []int32) int

// gapAware prefers what leaves little idle before the next attended minute, then
// the long, then what few printers can take.
func gapAware(long, few float64) choice {
	return func(e *engine, i int, s int32, open []int32) int {
		tab, dur := e.table[i], e.dur[i*e.n:]
		longest := float64(e.dur1(e.byDur[e.n-1]))
		best, at := -1e300, -1
		for k, j := range open {
			p := dur[j]
			if p < 0 {
				continue
			}
			free := s + p
			if f := e.first(tab, free); f < never {
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

// dur1 is the shortest duration of a job on any printer.
func (in *instance) dur1(j int32) int32 {
	best := int32(-1)
	for _, i := range in.who[j] {
		if p := in.dur[int(i)*in.n+int(j)]; best < 0 || p < best {
			best = p
		}
	}
	return max(best, 0)
}

// hold keeps (1) or gives back (-1) the slot in which a printer will start next, so
// that a rule sees which mornings are taken.
func (e *engine) hold(start, by int32) {
	if e.slotMin > 0 {
		e.book(start, by)
	}
}

// dispatch builds a plan as a rule at the machines would: whichever printer can
// start next takes the job that the rule picks.
func (e *engine) dispatch(pick choice) {
	clear(e.used)
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
		next[i] = e.first(e.table[i], free[i])
		e.hold(next[i], 1)
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
			e.hold(s, -1)
			continue
		}
		j := open[k]
		open = append(open[:k], open[k+1:]...)
		e.seq[at] = append(e.seq[at], j)
		e.start[at] = append(e.start[at], s)
		free[at] = s + e.dur[at*e.n+int(j)]
		next[at] = e.first(e.table[at], free[at])
		e.hold(next[at], 1)
	}
	for i := range e.m {
		if !done[i] {
			e.hold(next[i], -1)
		}
	}
	for _, j := range open { // nobody is there to start them any more
		i := e.who[j][0]
		e.seq[i] = append(e.seq[i], j)
		e.start[i] = append(e.start[i], never)
	}
	if e.rules != nil {
		e.rules.clear()
	}
	for i := range e.m {
		if e.rules != nil {
			e.same(&e.a, i, 0)
			e.a.lifted = len(e.seq[i]) // nothing is booked yet
			e.walkHouse(&e.a)
			e.keep(&e.a)
			continue
		}
		e.settle(i)
	}
	e.reprice()
}
