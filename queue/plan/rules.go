package plan

import "slices"

// rules are what a real house adds to an instance. They are flat tables too, but
// a walk under them adds up costs from the printer's first job.
type rules struct {
	att      [][]int32 // by minutes of hands: first start with so many, at or after; nil where it never is
	nextHome []int32   // first minute with somebody home, at or after
	warm     []int32   // first minute that is not cold, at or after; nil: none is cold
	nextCold []int32   // first cold minute at or after
	handsMin int32     // of a start without changes
	change   [3]int32
	fit      [][3]int32 // by job: nozzle, spool, plate; 0: any
	fitted   [][3]int32 // by printer
	fits     bool       // some job needs something fitted
	always   []bool
	cool     []int32
	eyes     []int32
	calls    [][]int32
	due      []int32 // 0: none
	dated    bool    // some job has a date or is wanted first
	first    []float64
	circuit  []int32 // by printer, -1 for none
	heat     []int32 // by circuit: slots
	atOnce   []int32
	heating  [][]int32   // by circuit and slot: heat-ups
	capHands []int32     // by slot: minutes of hands
	busy     []int32     // by slot: minutes taken
	handsFor openSlots   // whole slots of hands that are left
	heatFor  []openSlots // by circuit: slots in which one more may heat up
	pinned   []int32     // by printer: the job that is about to start; -1
	wide     [][]int32   // by width of error: extra wait to expect of an end at a minute
	width    []int32     // by job
	lastSlot int32
	longest  int32 // the most slots that a start takes of hands or a circuit
	fixed    bool  // a walk takes the starts that it is given
}

// slotMin is the grain of hands and circuits.
const slotMin = 5

// What minor aims cost, in minutes of the printer on which they are missed.
const (
	changeCost = 2.0   // each change of nozzle, spool or plate
	pinCost    = 45.0  // another first job than the one that is about to start
	lateCost   = 100.0 // each minute after a date
)

// need is the hands at the start of job j after a fit, and the fit after it.
func (r *rules) need(j int32, fit [3]int32, self bool) (hands, changes int32, after [3]int32) {
	if r.fits {
		for k, f := range r.fit[j] {
			if f != 0 && f != fit[k] {
				if fit[k] != 0 {
					hands += r.change[k]
					changes++
				}
				fit[k] = f
			}
		}
	}
	if !self {
		hands += r.handsMin
	}
	return hands, changes, fit
}

// begin is the first start of job j on printer i at or after t: hands minutes of
// hands, then minutes of print. why, where it is not nil, is told what binds.
func (r *rules) begin(i int, j, t, hands, minutes int32, why *binding) int32 {
	for {
		from := t
		if hands > 0 {
			if int(hands) >= len(r.att) {
				return never
			}
			tab := r.att[hands]
			if uint(t) >= uint(len(tab)) {
				return never
			}
			t = tab[t]
			why.say(CauseNobody, from, t)
		}
		if t >= r.lastSlot*slotMin {
			return never
		}
		s := t
		if r.warm != nil {
			if w := r.warm[s]; w != s {
				if w >= never {
					return never
				}
				t = w
				why.say(CauseCold, s, t)
				continue
			}
			if c := r.nextCold[s]; c < s+minutes {
				if int(c) >= len(r.warm) || r.warm[c] >= never {
					return never
				}
				t = r.warm[c]
				why.say(CauseCold, s, t)
				continue
			}
		}
		if e := r.eyes[j]; e > 0 {
			if h := r.home(s + e); h != s+e {
				if h >= never {
					return never
				}
				t = h - e
				why.say(CauseEyes, s, t)
				continue
			}
		}
		ok := true
		for _, c := range r.calls[j] {
			if h := r.home(s + c); h != s+c {
				if h >= never {
					return never
				}
				t = h - c
				why.say(CauseCall, s, t)
				ok = false
				break
			}
		}
		if !ok {
			continue
		}
		slot := s / slotMin
		if hands > 0 {
			if next := r.nextHands(slot, hands); next > slot {
				if next >= r.lastSlot {
					return never
				}
				t = next * slotMin
				why.say(CauseHands, s, t)
				continue
			}
		}
		if c := r.circuit[i]; c >= 0 {
			if next := r.heatFor[c].nextRun(slot, r.heat[c]); next > slot {
				if next >= r.lastSlot {
					return never
				}
				t = next * slotMin
				why.say(CauseCircuit, s, t)
				continue
			}
		}
		return s
	}
}

func (r *rules) home(t int32) int32 {
	if uint(t) >= uint(len(r.nextHome)) {
		return never
	}
	return r.nextHome[t]
}

// nextHands is the first slot at or after slot in which, and in those that follow,
// somebody has the hands of a start.
func (r *rules) nextHands(slot, hands int32) int32 {
	whole, rest := hands/slotMin, hands%slotMin
	for {
		if n := min(whole, longestRun); n > 0 {
			slot = r.handsFor.nextRun(slot, n)
		}
		if slot >= r.lastSlot {
			return slot
		}
		ok := true
		for k := slot + longestRun; k < min(slot+whole, r.lastSlot); k++ {
			ok = ok && r.busy[k]+slotMin <= r.capHands[k]
		}
		if k := slot + whole; rest > 0 && k < r.lastSlot {
			ok = ok && r.busy[k]+rest <= r.capHands[k]
		}
		if ok {
			return slot
		}
		slot++
	}
}

// book takes (by 1) or gives back (by -1) the hands and the circuit of a start.
func (r *rules) book(i int, s, hands, by int32) {
	slot := s / slotMin
	for k := slot; hands > 0 && k < r.lastSlot; k++ {
		use := min(hands, slotMin)
		r.busy[k] += by * use
		r.handsFor.set(k, r.busy[k]+slotMin <= r.capHands[k])
		hands -= use
	}
	if c := r.circuit[i]; c >= 0 {
		for k := slot; k < min(slot+r.heat[c], r.lastSlot); k++ {
			r.heating[c][k] += by
			r.heatFor[c].set(k, r.heating[c][k] < r.atOnce[c])
		}
	}
}

// binding collects what a start waited for last.
type binding struct {
	cause Cause
	until int32
}

func (b *binding) say(c Cause, from, to int32) {
	if b != nil && to > from {
		b.cause, b.until = c, to
	}
}

// stage is how a printer stands before a place in its sequence.
type stage struct {
	fit   [3]int32 // what is fitted
	end   int32    // of the job before
	free  int32    // that has cooled, or the printer is ready
	hands int32    // that the job at the place takes
	risk  int32    // waits to expect so far
	cost  float64  // of minor aims so far
}

// walkHouse works out a trial under the rules, from its first change to where it
// falls together with what is kept. It books the trial's starts as it goes, and
// lifts the kept ones no sooner than they are in the way of it.
func (e *engine) walkHouse(t *trial) {
	r := e.rules
	i, n := t.i, len(t.seq)
	dur, old, kept := e.dur[i*e.n:(i+1)*e.n], e.start[i], e.stage[i]
	starts, stages := t.start[:n], t.stage[:n+1]
	st := stage{fit: r.fitted[i], free: e.ready[i]}
	t.lost, t.risk = 0, 0
	if t.from > 0 {
		st, t.risk = kept[t.from], kept[t.from-1].risk
	}
	self, risky := r.always[i], r.wide != nil && !r.always[i]
	reach := slotMin * (1 + r.longest)
	for k := t.from; k < n; k++ {
		j := t.seq[k]
		hands, changes, fit := r.need(j, st.fit, self)
		minutes := hands + dur[j]
		if !self {
			minutes -= r.handsMin
		}
		st.hands = hands
		stages[k] = st
		s := starts[k]
		if !r.fixed {
			for ; t.lifted <= k-t.shift && t.lifted < len(old); t.lifted++ {
				e.liftOne(t)
			}
			s = r.begin(i, j, st.free, hands, minutes, nil)
			if t.lifted < len(old) && old[t.lifted] < s+reach { // its own start may be in the way
				for ; t.lifted < len(old) && old[t.lifted] < s+reach; t.lifted++ {
					e.liftOne(t)
				}
				s = r.begin(i, j, st.free, hands, minutes, nil)
			}
			if o := k - t.shift; k >= t.sync && k > 0 && s < never && t.lifted == o+1 && s == old[o] && st.fit == kept[o].fit {
				t.lifted--
				r.book(i, s, hands, 1)
				t.sync, t.end, t.lost = k, e.end[i], e.lost[i]
				t.risk = e.risk[i] + st.risk - kept[o].risk
				t.extra = e.extra[i] + st.cost - kept[o].cost
				t.cost = e.price(t.end+t.risk, t.lost) + t.extra
				return
			}
			starts[k] = s
		}
		if s >= never {
			t.lost = int32(n - k)
			for ; k < n; k++ {
				starts[k], stages[k] = never, st
			}
			break
		}
		r.book(i, s, hands, 1)
		st.fit = fit
		st.end = s + minutes
		st.free = st.end + r.cool[j]
		if k == 0 && r.pinned[i] >= 0 && j != r.pinned[i] {
			st.cost += pinCost
		}
		st.cost += changeCost*float64(changes) + r.first[j]*float64(st.end)
		if d := r.due[j]; d > 0 && st.end > d {
			st.cost += lateCost * float64(st.end-d)
		}
		t.risk = st.risk // the last plate waits for nothing
		if risky {
			if w := r.wide[r.width[j]]; uint(st.free) < uint(len(w)) {
				st.risk += w[st.free]
			}
		}
	}
	stages[n] = st
	t.sync, t.end = n, st.end
	if !r.fixed {
		e.liftRest(t)
	}
	t.extra = st.cost
	if n == 0 && r.pinned[i] >= 0 {
		t.extra += pinCost
	}
	t.cost = e.price(t.end+t.risk, t.lost) + t.extra
}

// keepStages is the part of keep that only a house needs; the sequence is still
// the old one.
func (e *engine) keepStages(t *trial) {
	i, n := t.i, len(t.seq)
	old := e.stage[i]
	stages := old[:n+1]
	if t.sync < n {
		at := t.sync - t.shift
		risk, cost := t.stage[t.sync].risk-old[at].risk, t.stage[t.sync].cost-old[at].cost
		copy(stages[t.sync+1:], old[at+1:]) // handles overlap
		for k := t.sync + 1; k <= n; k++ {
			stages[k].risk += risk
			stages[k].cost += cost
		}
		copy(stages[t.from:], t.stage[t.from:t.sync+1])
	} else {
		copy(stages[t.from:], t.stage[t.from:n+1])
	}
	e.stage[i] = stages
	e.extra[i], e.risk[i] = t.extra, t.risk
}

// takeRules gives an engine the rules of a house.
func (e *engine) takeRules(r *rules) {
	e.rules = r
	e.stage, e.extra, e.risk = make([][]stage, e.m), make([]float64, e.m), make([]int32, e.m)
	for i := range e.m {
		e.stage[i] = make([]stage, 1, e.n+2)
	}
	e.a.stage, e.b.stage = make([]stage, e.n+2), make([]stage, e.n+2)
}

// unfold works out the starts of sequences on all printers as they would come about:
// whoever can start next takes the hands and the circuit first. wish, where it is not
// nil, are starts that were: a printer keeps its own, up to the first that is not
// possible any more, before the others are worked out. The engine then holds that
// plan.
func (e *engine) unfold(seq, wish [][]int32) {
	r := e.rules
	r.clear()
	s := &solution{seq: seq, start: make([][]int32, e.m), way: slices.Clone(e.way)}
	type turn struct {
		free, start, hands, minutes int32
		fit, after                  [3]int32
	}
	turns := make([]turn, e.m)
	look := func(i int) { // the next start of printer i as things are booked
		t := &turns[i]
		k := len(s.start[i])
		if k == len(seq[i]) || t.free >= never {
			t.start = never
			return
		}
		j := seq[i][k]
		t.hands, _, t.after = r.need(j, t.fit, r.always[i])
		t.minutes = t.hands + e.dur[i*e.n+int(j)]
		if !r.always[i] {
			t.minutes -= r.handsMin
		}
		t.start = r.begin(i, j, t.free, t.hands, t.minutes, nil)
	}
	take := func(i int) {
		t := &turns[i]
		r.book(i, t.start, t.hands, 1)
		t.free = t.start + t.minutes + r.cool[seq[i][len(s.start[i])]]
		s.start[i] = append(s.start[i], t.start)
		t.fit = t.after
	}
	for i := range turns {
		t := &turns[i]
		t.free, t.fit = e.ready[i], r.fitted[i]
		s.start[i] = make([]int32, 0, len(seq[i]))
		for k := 0; wish != nil && k < len(wish[i]); k++ {
			free := t.free
			t.free = max(free, wish[i][k])
			look(i)
			t.free = free
			if t.start > wish[i][k]+slotMin {
				break
			}
			take(i)
		}
	}
	for i := range turns {
		look(i)
	}
	for {
		at := 0
		for i := range turns {
			if turns[i].start < turns[at].start {
				at = i
			}
		}
		if e.m == 0 || turns[at].start >= never {
			break
		}
		t := &turns[at]
		was := t.start
		if look(at); t.start > was { // others were first
			continue
		}
		take(at)
		look(at)
	}
	for i := range seq {
		for len(s.start[i]) < len(seq[i]) {
			s.start[i] = append(s.start[i], never)
		}
	}
	e.load(s)
}

// late is the plan's lateness: minutes after dates, and weighted ends of what is
// wanted first.
func (e *engine) late() int64 {
	if e.rules == nil || !e.rules.dated {
		return 0
	}
	sum := 0.0
	for i := range e.m {
		dur := e.dur[i*e.n : (i+1)*e.n]
		fit := e.rules.fitted[i]
		for k, j := range e.seq[i] {
			s := e.start[i][k]
			if s >= never {
				break
			}
			var hands int32
			hands, _, fit = e.rules.need(j, fit, true)
			end := s + hands + dur[j]
			if d := e.rules.due[j]; d > 0 && end > d {
				sum += float64(end - d)
			}
			sum += e.rules.first[j] * float64(end)
		}
	}
	return int64(sum)
}

// clear gives back all that is booked.
func (r *rules) clear() {
	clear(r.busy)
	for k := range r.lastSlot {
		r.handsFor.set(k, r.capHands[k] >= slotMin)
	}
	for c, h := range r.heating {
		clear(h)
		for k := range r.lastSlot {
			r.heatFor[c].set(k, r.atOnce[c] > 0)
		}
	}
}

// clone gives another engine bookings of its own, with nothing booked; the tables
// are shared.
func (r *rules) clone() *rules {
	c := *r
	c.busy, c.handsFor = make([]int32, len(r.capHands)), newOpenSlots(r.lastSlot)
	c.heating, c.heatFor = make([][]int32, len(r.heat)), make([]openSlots, len(r.heat))
	for k := range r.heat {
		c.heating[k], c.heatFor[k] = make([]int32, len(r.capHands)), newOpenSlots(r.lastSlot)
	}
	c.clear()
	return &c
}
