package plan

// engine holds one problem in the form in which millions of changes a second can
// be tried: flat tables of 32-bit minutes, and no allocation once it is built.
// One goroutine owns one engine; clones share what does not change.
type engine struct {
	*instance
	seq   [][]int32 // jobs of each printer in order
	start [][]int32 // their starts
	end   []int32   // when the printer's last job ends; 0 when it has none
	lost  []int32   // jobs of the printer that no attended minute is left for
	cost  []float64 // see price
	on    []int32   // by job: printer, -1 while it is on none
	at    []int32   // by job: place in the printer's sequence
	used  []int32   // starts in each slot, where starts are capped

	rules *rules    // nil for a stand-alone problem
	stage [][]stage // under rules: by printer and place; one more than places
	extra []float64 // under rules: what a printer's minor aims cost
	risk  []int32   // under rules: the waits to expect on a printer
	way   []int32   // by part: the way that is made
	spare *solution // to go back from a change of way

	target float64 // ends above it are dear
	sum    float64 // of cost, under rules
	worst  int32   // the printer that ends last

	a, b trial // the two printers of a change
	rng  rng
}

// instance is what does not change while a problem is solved.
type instance struct {
	n, m    int
	dur     []int32   // [printer*n+job] minutes, -1 where the printer cannot take it
	who     [][]int32 // by job: printers that can take it
	table   [][]int32 // by printer: first start at or after a minute
	ready   []int32   // by printer
	slotMin int32     // 0: starts are not capped
	cap     int32
	slots   int
	byDur   []int32 // jobs by shortest duration
	least   []int32 // by job: its shortest duration on any printer
	base    int32   // the end of what runs already and is not planned
	partOf  []int32 // by job: its place in parts, -1; nil where there are none
	wayOf   []int32 // by job: its way
	parts   []part  // parts with more than one way
}

// part is something that can be made in several ways: each a set of jobs, of
// which one is made.
type part struct{ ways [][]int32 }

// trial is a printer with another sequence, worked out and not yet kept.
type trial struct {
	i     int
	seq   []int32
	start []int32
	from  int // first place that differs from what is kept
	sync  int // from here on the starts are those that are kept, moved by shift
	shift int
	// lifted is the first of the printer's kept places from from on whose start is
	// still booked.
	lifted int
	end    int32
	lost   int32
	cost   float64

	stage []stage // under rules
	extra float64
	risk  int32
}

func newEngine(in *instance, seed uint64) *engine {
	e := &engine{instance: in,
		seq: make([][]int32, in.m), start: make([][]int32, in.m),
		end: make([]int32, in.m), lost: make([]int32, in.m), cost: make([]float64, in.m),
		on: make([]int32, in.n), at: make([]int32, in.n), used: make([]int32, in.slots),
		rng: newRNG(seed), spare: &solution{}, way: make([]int32, len(in.parts)),
	}
	for i := range in.m {
		e.seq[i] = make([]int32, 0, in.n+1)
		e.start[i] = make([]int32, 0, in.n+1)
	}
	for _, t := range []*trial{&e.a, &e.b} {
		t.seq = make([]int32, 0, in.n+1)
		t.start = make([]int32, in.n+1)
	}
	for j := range e.on {
		e.on[j] = -1
	}
	return e
}

// wanted says whether a job is of a way that is made.
func (e *engine) wanted(j int32) bool {
	return e.partOf == nil || e.partOf[j] < 0 || e.way[e.partOf[j]] == e.wayOf[j]
}

// load takes a plan: sequences and starts as they are.
func (e *engine) load(s *solution) {
	clear(e.used)
	for j := range e.on {
		e.on[j] = -1
	}
	e.way = append(e.way[:0], s.way...)
	if e.rules != nil {
		e.rules.clear()
	}
	for i := range e.m {
		e.seq[i] = append(e.seq[i][:0], s.seq[i]...)
		e.start[i] = append(e.start[i][:0], s.start[i]...)
		if e.rules != nil {
			t := &e.a
			e.same(t, i, 0)
			copy(t.start[:len(t.seq)], e.start[i])
			e.rules.fixed = true
			e.walkHouse(t)
			e.rules.fixed = false
			e.keep(t)
			continue
		}
		e.settle(i)
		if e.slotMin > 0 {
			for _, t := range e.start[i] {
				e.book(t, 1)
			}
		}
	}
	if e.rules == nil {
		e.reprice()
	}
	e.sum = e.energy()
	e.findWorst()
}

// settle works out what follows from a printer's sequence and starts.
func (e *engine) settle(i int) {
	e.end[i], e.lost[i] = 0, 0
	for k, j := range e.seq[i] {
		e.on[j], e.at[j] = int32(i), int32(k)
		if s := e.start[i][k]; s < never {
			e.end[i] = s + e.dur[i*e.n+int(j)]
		} else {
			e.lost[i]++
		}
	}
}

// solution is a plan apart from an engine.
type solution struct {
	seq, start [][]int32
	way        []int32
	late       int64   // see late
	span       int32   // the makespan
	lost       int32   // jobs for which no attended minute was left
	energy     float64 // of a house: without the part above the target
}

// better compares plans: first no job lost, then no date missed, then the end,
// then the energy, which holds the rest.
func (s *solution) better(o *solution) bool {
	switch {
	case s.lost != o.lost:
		return s.lost < o.lost
	case s.late != o.late:
		return s.late < o.late
	case s.span != o.span:
		return s.span < o.span
	}
	return s.energy < o.energy-1e-6
}

func (e *engine) save(s *solution) {
	if s.seq == nil {
		s.seq, s.start = make([][]int32, e.m), make([][]int32, e.m)
	}
	for i := range e.m {
		s.seq[i] = append(s.seq[i][:0], e.seq[i]...)
		s.start[i] = append(s.start[i][:0], e.start[i]...)
	}
	s.way = append(s.way[:0], e.way...)
	s.span, s.lost, s.late, s.energy = e.span(), e.allLost(), e.late(), e.minor()
}

// minor is what a house's plans that are otherwise equal are compared by.
func (e *engine) minor() float64 {
	if e.rules == nil {
		return 0
	}
	sum := 0.0
	for i, c := range e.cost {
		sum += c - max(0, float64(e.end[i]+e.risk[i])-e.target)
	}
	return sum
}

func (e *engine) span() int32 {
	if e.m == 0 {
		return e.base
	}
	return max(e.base, e.end[e.worst])
}

func (e *engine) allLost() int32 {
	var n int32
	for _, l := range e.lost {
		n += l
	}
	return n
}

// lostCost is what a job without an attended minute costs, in minutes: more than
// any plan is long.
const lostCost = 1e7

// price is the energy of one printer: a tenth of its end, the whole of what lies
// above the target, and a great deal for each lost job.
func (e *engine) price(end, lost int32) float64 {
	c := 0.1 * float64(end)
	if over := float64(end) - e.target; over > 0 {
		c += over
	}
	if lost > 0 {
		c += lostCost * float64(lost)
	}
	return c
}

func (e *engine) reprice() {
	for i := range e.m {
		if e.rules != nil {
			e.cost[i] = e.price(e.end[i]+e.risk[i], e.lost[i]) + e.extra[i]
			continue
		}
		e.cost[i] = e.price(e.end[i], e.lost[i])
	}
	e.sum = e.energy()
	e.findWorst()
}

func (e *engine) findWorst() {
	w := int32(0)
	for i, c := range e.end {
		if c > e.end[w] {
			w = int32(i)
		}
	}
	e.worst = w
}

func (e *engine) book(start, by int32) {
	if start < never {
		e.used[start/e.slotMin] += by
	}
}

// first is the first start on a printer at or after t that the cap leaves free.
func (e *engine) first(tab []int32, t int32) int32 {
	for {
		if uint(t) >= uint(len(tab)) {
			return never
		}
		s := tab[t]
		if s >= never || e.slotMin == 0 {
			return s
		}
		slot := s / e.slotMin
		if int(slot) >= len(e.used) {
			return never
		}
		if e.used[slot] < e.cap {
			return s
		}
		t = (slot + 1) * e.slotMin
	}
}

// walk works out a trial's starts. Its seq, i, from, sync and shift are set; from
// sync on, its jobs are the kept ones moved by shift. It stops where a start
// falls on the kept one, since all that follows is then the same.
func (e *engine) walk(t *trial) {
	i := t.i
	tab, dur, old := e.table[i], e.dur[i*e.n:(i+1)*e.n], e.start[i]
	now := e.ready[i]
	if t.from > 0 {
		now = old[t.from-1] + dur[t.seq[t.from-1]]
	}
	end := now
	if t.from == 0 {
		end = 0
	}
	t.lost = 0
	seq := t.seq
	starts := t.start[:len(seq)]
	for k := t.from; k < len(seq); k++ {
		s := never
		if uint(now) < uint(len(tab)) {
			s = tab[now]
		}
		if k >= t.sync && s == old[k-t.shift] && s < never {
			t.sync = k
			t.end, t.lost = e.end[i], e.lost[i]
			t.cost = e.cost[i]
			return
		}
		starts[k] = s
		if s >= never {
			t.lost = int32(len(seq) - k)
			for ; k < len(seq); k++ {
				starts[k] = never
			}
			break
		}
		now = s + dur[seq[k]]
		end = now
	}
	t.sync = len(seq)
	t.end = end
	t.cost = e.price(end, t.lost)
}

// walkCapped is walk where starts are capped. It books the trial's starts as it
// goes, and lifts the kept ones no sooner than they are in the way of it: those
// behind the place at which both fall together stay booked.
func (e *engine) walkCapped(t *trial) {
	i := t.i
	tab, dur, old := e.table[i], e.dur[i*e.n:(i+1)*e.n], e.start[i]
	now := e.ready[i]
	end := int32(0)
	if t.from > 0 {
		now = old[t.from-1] + dur[t.seq[t.from-1]]
		end = now
	}
	t.lost = 0
	seq := t.seq
	starts := t.start[:len(seq)]
	for k := t.from; k < len(seq); k++ {
		for ; t.lifted <= k-t.shift && t.lifted < len(old); t.lifted++ {
			e.book(old[t.lifted], -1)
		}
		s := e.first(tab, now)
		if t.lifted < len(old) && old[t.lifted] < s+e.slotMin { // its own start may be in the way
			for ; t.lifted < len(old) && old[t.lifted] < s+e.slotMin; t.lifted++ {
				e.book(old[t.lifted], -1)
			}
			s = e.first(tab, now)
		}
		if k >= t.sync && s < never && t.lifted == k-t.shift+1 && s == old[k-t.shift] {
			t.lifted--
			e.book(s, 1)
			t.sync = k
			t.end, t.lost, t.cost = e.end[i], e.lost[i], e.cost[i]
			return
		}
		starts[k] = s
		if s >= never {
			t.lost = int32(len(seq) - k)
			for ; k < len(seq); k++ {
				starts[k] = never
			}
			break
		}
		e.book(s, 1)
		now = s + dur[seq[k]]
		end = now
	}
	t.sync = len(seq)
	e.liftRest(t)
	t.end = end
	t.cost = e.price(end, t.lost)
}

// liftRest takes the kept starts out of the bookings that no job of the trial
// stands for.
func (e *engine) liftRest(t *trial) {
	for old := e.start[t.i]; t.lifted < len(old); t.lifted++ {
		e.liftOne(t)
	}
}

// liftOne takes the next kept start of a trial's printer out of the bookings.
func (e *engine) liftOne(t *trial) {
	s := e.start[t.i][t.lifted]
	switch {
	case s >= never:
	case e.rules != nil:
		e.rules.book(t.i, s, e.stage[t.i][t.lifted].hands, -1)
	case e.slotMin > 0:
		e.book(s, -1)
	}
}

// backToKept moves from before jobs that had no start.
func (e *engine) backToKept(t *trial) {
	for t.from > 0 && e.start[t.i][t.from-1] >= never {
		t.from--
	}
}

// lift takes those kept starts of a trial's printer out of the bookings that are
// certain to go.
func (e *engine) lift(t *trial) {
	e.backToKept(t)
	old := len(e.start[t.i])
	for t.lifted = t.from; t.lifted < min(t.sync-t.shift, old); t.lifted++ {
		e.liftOne(t)
	}
}

// lay gives a trial up: its own bookings go, those that it lifted come back.
func (e *engine) lay(t *trial) {
	old := e.start[t.i]
	if e.rules != nil {
		for k := t.from; k < t.sync && t.start[k] < never; k++ {
			e.rules.book(t.i, t.start[k], t.stage[k].hands, -1)
		}
		for k := t.from; k < t.lifted && old[k] < never; k++ {
			e.rules.book(t.i, old[k], e.stage[t.i][k].hands, 1)
		}
		return
	}
	for k := t.from; k < t.sync && t.start[k] < never; k++ {
		e.book(t.start[k], -1)
	}
	for k := t.from; k < t.lifted && old[k] < never; k++ {
		e.book(old[k], 1)
	}
}

// walkAny works out a trial; where bookings matter, lift has been called.
func (e *engine) walkAny(t *trial) {
	switch {
	case e.rules != nil:
		e.walkHouse(t)
	case e.slotMin > 0:
		e.walkCapped(t)
	default:
		e.walk(t)
	}
}

// keep makes a trial the printer's plan.
func (e *engine) keep(t *trial) {
	i := t.i
	n := len(t.seq)
	old := e.start[i]
	starts := e.start[i][:n]
	if t.sync < n {
		copy(starts[t.sync:], old[t.sync-t.shift:]) // handles overlap
	}
	copy(starts[t.from:t.sync], t.start[t.from:t.sync])
	e.start[i] = starts
	if e.rules != nil {
		e.keepStages(t)
	}
	e.seq[i] = append(e.seq[i][:t.from], t.seq[t.from:]...)
	for k := t.from; k < n; k++ {
		j := e.seq[i][k]
		e.on[j], e.at[j] = int32(i), int32(k)
	}
	e.end[i], e.lost[i], e.cost[i] = t.end, t.lost, t.cost
}

// try works out the trials (b only where two is set) and keeps them if the energy
// rises by at most slack.
func (e *engine) try(two bool, slack float64) bool {
	a, b := &e.a, &e.b
	booked := e.rules != nil || e.slotMin > 0
	if booked {
		e.lift(a)
		if two {
			e.lift(b)
		}
	} else {
		e.backToKept(a)
		if two {
			e.backToKept(b)
		}
	}
	e.walkAny(a)
	d := a.cost - e.cost[a.i]
	if two {
		e.walkAny(b)
		d += b.cost - e.cost[b.i]
	}
	if d > slack {
		if booked {
			e.lay(a)
			if two {
				e.lay(b)
			}
		}
		return false
	}
	e.sum += d
	e.keep(a)
	if two {
		e.keep(b)
	}
	e.findWorst()
	return true
}

// same prepares t: printer i keeps its jobs and looks for starts anew from place k.
func (e *engine) same(t *trial, i, k int) {
	t.i, t.from, t.sync, t.shift = i, k, len(e.seq[i]), 0
	t.seq = append(t.seq[:0], e.seq[i]...)
}

// swapped prepares t: the job at place k of printer i becomes j.
func (e *engine) swapped(t *trial, i, k int, j int32) {
	t.i, t.from, t.sync, t.shift = i, k, k+1, 0
	t.seq = append(t.seq[:0], e.seq[i]...)
	t.seq[k] = j
}

// without prepares t: printer i loses the job at place k.
func (e *engine) without(t *trial, i, k int) {
	t.i, t.from, t.sync, t.shift = i, k, k, -1
	t.seq = append(t.seq[:0], e.seq[i][:k]...)
	t.seq = append(t.seq, e.seq[i][k+1:]...)
}

// with prepares t: printer i gets job j before place k.
func (e *engine) with(t *trial, i, k int, j int32) {
	t.i, t.from, t.sync, t.shift = i, k, k+1, 1
	t.seq = append(t.seq[:0], e.seq[i][:k]...)
	t.seq = append(t.seq, j)
	t.seq = append(t.seq, e.seq[i][k:]...)
}

// exchanged prepares t: the jobs at places k < l of printer i change places.
func (e *engine) exchanged(t *trial, i, k, l int) {
	t.i, t.from, t.sync, t.shift = i, k, l+1, 0
	t.seq = append(t.seq[:0], e.seq[i]...)
	t.seq[k], t.seq[l] = t.seq[l], t.seq[k]
}

// moved prepares t: the job at place k of printer i goes to place l.
func (e *engine) moved(t *trial, i, k, l int) {
	t.i, t.from, t.sync, t.shift = i, min(k, l), max(k, l)+1, 0
	t.seq = append(t.seq[:0], e.seq[i]...)
	j := t.seq[k]
	if k < l {
		copy(t.seq[k:l], t.seq[k+1:l+1])
	} else {
		copy(t.seq[l+1:k+1], t.seq[l:k])
	}
	t.seq[l] = j
}
