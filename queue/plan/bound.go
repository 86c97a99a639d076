package plan

import (
	"math"
	"slices"
	"time"
)

// The bound is a time before which no plan at all can end. It is a Lagrangian
// dual of the plan in time (Held and Karp, Math. Prog. 1 (1971) 6, for the
// method; Dyer and Wolsey, Discrete Appl. Math. 26 (1990) 255, for the relaxation
// that it bounds; both from memory), with few prices so that it is quick:
//
//	         minute of the printer ─>                            T
//	attended ████████            ███████████████            █████│
//	gap              ░░░░░░░░░░░░               ░░░░░░░░░░░░     │
//	price    1 a minute   gap once  1 a minute    last once      │
//
// A printer that is free in a gap cannot start, so a gap before T is used by one
// job or by none. Attended minutes have one price and gaps another; the last gap
// has its own, because T may cut it short; and each class of printers has a factor
// on them. Every job costs at least what its cheapest place costs. If the cheapest
// places of all jobs together cost more than all printers have for sale before T,
// no plan ends by T. That holds for any prices: how they are found proves nothing
// and needs no proof.
//
// Sums are in float64, with a margin of 1e-9 of the whole against rounding.
type bounder struct {
	*instance
	spans   [][]Window // by printer: minutes at which it can start
	always  []bool     // by printer: every minute will do
	classes []class
	markets []market
	kinds   []kind
	offers  []offer
	T       int32
	until   time.Time // when the search for prices gives up

	sets   [][]bool
	bound  [][]int32 // by set: the kinds that have no place outside it
	factor []float64 // by class
	best   []float64 // the factors that went furthest
	use    []float64 // by class: what the jobs' cheapest places cost there, at factor 1
}

// class is a set of printers that are alike to every job.
type class struct {
	printers []int
	market   int
	have     float64 // what it has for sale, at factor 1
}

// market is a calendar from a minute on, with its prices.
type market struct {
	spans    []Window
	always   bool
	ready    int32
	from, to []int32 // the spans before T
	base     []float64
	gap      []float64 // price of the gap behind each span; 0 where T comes first
}

// kind is a set of jobs alike in every class.
type kind struct {
	count int
	offer []int32 // by class; -1 where it cannot go
	apart []int32 // the offers that differ
}

// offer is what so many minutes cost in a market at least.
type offer struct {
	market int
	dur    int32
	cost   float64
}

func newBounder(in *instance, spans [][]Window, always []bool) *bounder {
	b := &bounder{instance: in, spans: spans, always: always}
	byKey, marketAt := map[string]int{}, map[string]int{}
	put := func(k []byte, v int32) []byte {
		return append(k, byte(v), byte(v>>8), byte(v>>16), byte(v>>24))
	}
	for i := range in.m {
		// Ready times are rounded down to the next start, so that printers that
		// differ in nothing else are one class.
		ready := nextIn(spans[i], always[i], in.ready[i])
		k := put(nil, ready)
		if always[i] {
			k = append(k, 'a')
		}
		for _, w := range spans[i] {
			k = put(put(k, int32(w[0])), int32(w[1]))
		}
		mk, ok := marketAt[string(k)]
		if !ok {
			mk = len(b.markets)
			marketAt[string(k)] = mk
			b.markets = append(b.markets, market{spans: spans[i], always: always[i], ready: ready})
		}
		for _, d := range in.dur[i*in.n : (i+1)*in.n] {
			k = put(k, d)
		}
		c, ok := byKey[string(k)]
		if !ok {
			c = len(b.classes)
			byKey[string(k)] = c
			b.classes = append(b.classes, class{market: mk})
		}
		b.classes[c].printers = append(b.classes[c].printers, i)
	}
	kindAt, offerAt := map[string]int{}, map[[2]int32]int32{}
	for j := range in.n {
		offers := make([]int32, len(b.classes))
		var k []byte
		for c := range b.classes {
			d := in.dur[b.classes[c].printers[0]*in.n+j]
			at := int32(-1)
			if d >= 0 {
				id := [2]int32{int32(b.classes[c].market), d}
				var ok bool
				if at, ok = offerAt[id]; !ok {
					at = int32(len(b.offers))
					offerAt[id] = at
					b.offers = append(b.offers, offer{market: b.classes[c].market, dur: d})
				}
			}
			offers[c] = at
			k = put(k, at)
		}
		at, ok := kindAt[string(k)]
		if !ok {
			at = len(b.kinds)
			kindAt[string(k)] = at
			apart := slices.Clone(offers)
			slices.Sort(apart)
			apart = slices.Compact(apart)
			if apart[0] < 0 {
				apart = apart[1:]
			}
			b.kinds = append(b.kinds, kind{offer: offers, apart: apart})
		}
		b.kinds[at].count++
	}
	b.sets = b.tightSets()
	for _, set := range b.sets {
		var in []int32
		for q := range b.kinds {
			outside := false
			for c, o := range b.kinds[q].offer {
				outside = outside || o >= 0 && !set[c]
			}
			if !outside {
				in = append(in, int32(q))
			}
		}
		b.bound = append(b.bound, in)
	}
	n := len(b.classes)
	b.factor, b.best, b.use = make([]float64, n), make([]float64, n), make([]float64, n)
	return b
}

// tightSets are the sets of classes that may be short of room by themselves:
// those to which some jobs are bound, unions of two, and all.
func (b *bounder) tightSets() [][]bool {
	const most = 32
	seen := map[string]bool{}
	var out [][]bool
	add := func(s []bool) {
		k := make([]byte, len(s))
		for c, in := range s {
			if in {
				k[c] = 1
			}
		}
		if !seen[string(k)] && len(out) < most {
			seen[string(k)] = true
			out = append(out, s)
		}
	}
	all := make([]bool, len(b.classes))
	for c := range all {
		all[c] = true
	}
	add(all)
	for q := range b.kinds {
		s := make([]bool, len(b.classes))
		for c, o := range b.kinds[q].offer {
			s[c] = o >= 0
		}
		add(s)
	}
	for x := range len(out) {
		for y := range x {
			s := make([]bool, len(b.classes))
			for c := range s {
				s[c] = out[x][c] || out[y][c]
			}
			add(s)
		}
	}
	return out
}

// cut lays out the spans before T.
func (b *bounder) cut(T int32) {
	b.T = T
	for x := range b.markets {
		mk := &b.markets[x]
		mk.from, mk.to, mk.base, mk.gap = mk.from[:0], mk.to[:0], mk.base[:0], mk.gap[:0]
		add := func(from, to int32) {
			if from = max(from, mk.ready); from < to && from < T {
				mk.from, mk.to = append(mk.from, from), append(mk.to, min(to, T))
				mk.base, mk.gap = append(mk.base, 0), append(mk.gap, 0)
			}
		}
		if mk.always {
			add(0, T)
			continue
		}
		for _, w := range mk.spans {
			if int32(w[0]) >= T {
				break
			}
			add(int32(w[0]), int32(w[1]))
		}
	}
}

// charge sets the prices and works out what each offer costs and what each class
// has for sale. It says whether some job has no place at all before T.
func (b *bounder) charge(gap, last float64) (homeless bool) {
	for x := range b.markets {
		mk := &b.markets[x]
		sum := 0.0
		n := len(mk.from)
		for k := range n {
			mk.base[k] = sum
			mk.gap[k] = 0
			if mk.to[k] < b.T {
				mk.gap[k] = gap
				if k == n-1 {
					mk.gap[k] = last
				}
			}
			sum += float64(mk.to[k]-mk.from[k]) + mk.gap[k]
		}
		for c := range b.classes {
			if b.classes[c].market == x {
				b.classes[c].have = sum * float64(len(b.classes[c].printers))
			}
		}
	}
	for k := range b.offers {
		o := &b.offers[k]
		o.cost = b.markets[o.market].cheapest(o.dur, b.T)
	}
	for q := range b.kinds {
		homeless = true
		for _, o := range b.kinds[q].offer {
			if o >= 0 && !math.IsInf(b.offers[o].cost, 1) {
				homeless = false
				break
			}
		}
		if homeless {
			return true
		}
	}
	return false
}

// cheapest is the least that p minutes cost in a market. The price is piecewise
// linear in the start, so the least is where the start or the end meets an edge
// of a span. A job that ends in a gap pays the whole gap.
func (mk *market) cheapest(p, T int32) float64 {
	best := math.Inf(1)
	n := len(mk.from)
	// Starts at the first and the last minute of each span; e is the span that the
	// end lies in or behind.
	e := 0
	for k := range n {
		for _, s := range [2]int32{mk.from[k], mk.to[k] - 1} {
			end := s + p
			if end > T {
				break
			}
			for e+1 < n && mk.from[e+1] <= end {
				e++
			}
			c := mk.base[e] - mk.base[k] - float64(s-mk.from[k])
			if end < mk.to[e] {
				c += float64(end - mk.from[e])
			} else {
				c += float64(mk.to[e]-mk.from[e]) + mk.gap[e]
			}
			best = min(best, c)
		}
	}
	// Ends at the first and the last minute of each span, and at T.
	k := 0
	for e := range n {
		for x, end := range [3]int32{mk.from[e], mk.to[e] - 1, T} {
			if x == 2 && e < n-1 {
				break
			}
			s := end - p
			for k < n && mk.to[k] <= s {
				k++
			}
			if k == n {
				return best
			}
			if s < mk.from[k] {
				continue
			}
			c := mk.base[e] - mk.base[k] - float64(s-mk.from[k])
			if end < mk.to[e] {
				c += float64(end - mk.from[e])
			} else {
				c += float64(mk.to[e]-mk.from[e]) + mk.gap[e]
			}
			best = min(best, c)
		}
	}
	return best
}

// excessIn is excess with factor 1 in the classes of a tight set and 0 elsewhere.
func (b *bounder) excessIn(set int) float64 {
	have, pay, printers := 0.0, 0.0, 0
	for c, in := range b.sets[set] {
		if in {
			have += b.classes[c].have
			printers += len(b.classes[c].printers)
		}
	}
	have -= b.held(printers)
	if have <= 0 {
		return -1
	}
	for _, q := range b.bound[set] {
		kd := &b.kinds[q]
		low := math.Inf(1)
		for _, o := range kd.apart {
			low = min(low, b.offers[o].cost)
		}
		pay += low * float64(kd.count)
	}
	return pay/have - 1
}

// held is what so many printers cannot sell because the cap on starts lets only
// some of them begin in the first attended slots: the k-th of them, counted from 0
// in the order of their first starts, begins in slot k/cap or later.
func (b *bounder) held(printers int) float64 {
	if b.slotMin == 0 || b.cap == 0 || len(b.markets) != 1 || b.markets[0].always {
		return 0
	}
	mk := &b.markets[0]
	sum := 0.0
	k, last := 0, int32(-1)
	waste := 0.0 // what a printer has not sold that starts at the end of the span looked at
	for x := range mk.from {
		for s := mk.from[x]; s < mk.to[x]; {
			slot := s / b.slotMin
			if slot != last {
				for n := 0; n < int(b.cap) && k < printers; n++ {
					sum += waste
					k++
				}
				last = slot
			}
			if k == printers {
				return sum
			}
			next := min((slot+1)*b.slotMin, mk.to[x])
			waste += float64(next - s)
			s = next
		}
		waste += mk.gap[x]
	}
	return sum
}

// excess is by how much what the jobs must pay exceeds what is for sale at the
// factors, in parts of the latter; above the margin it is the proof.
func (b *bounder) excess() float64 {
	have, pay := 0.0, 0.0
	for c := range b.classes {
		have += b.factor[c] * b.classes[c].have
		b.use[c] = 0
	}
	if have <= 0 {
		return -1
	}
	for q := range b.kinds {
		kd := &b.kinds[q]
		low, in := math.Inf(1), -1
		for c, o := range kd.offer {
			if o < 0 {
				continue
			}
			if x := b.factor[c] * b.offers[o].cost; x < low {
				low, in = x, c
			}
		}
		if in >= 0 {
			pay += low * float64(kd.count)
			b.use[in] += b.offers[kd.offer[in]].cost * float64(kd.count)
		}
	}
	return pay/have - 1
}

// dearestGap bounds the search for prices, in attended minutes.
const dearestGap = 3000.0

// margin is what rounding may have added to the sums.
const margin = 1e-9

// most is the greatest excess found at the prices, over the tight sets and, where
// that does not prove it and rounds is above 0, a subgradient search over factors.
func (b *bounder) most(gap, last float64, rounds int) float64 {
	if b.charge(gap, last) {
		return math.Inf(1)
	}
	top := math.Inf(-1)
	tightest := 0
	for k := range b.sets {
		if x := b.excessIn(k); x > top {
			top, tightest = x, k
		}
	}
	for c, in := range b.sets[tightest] {
		b.best[c] = 0
		if in {
			b.best[c] = 1
		}
	}
	if top > margin || rounds == 0 {
		return top
	}
	copy(b.factor, b.best)
	for k := range rounds {
		x := b.excess()
		if x > top {
			top = x
			copy(b.best, b.factor)
			if top > margin {
				break
			}
		}
		step := 0.5 / (1 + float64(k)/8)
		for c := range b.factor {
			have := b.classes[c].have
			if have <= 0 {
				continue
			}
			load := b.use[c]/have - 1
			b.factor[c] = max(b.factor[c], 0.01) * math.Exp(step*max(-1, min(1, load)))
		}
	}
	return top
}

// proves says whether prices near *gap and *last prove that no plan ends by T. It
// leaves the best that it found there.
func (b *bounder) proves(T int32, gap, last *float64, rounds int) bool {
	b.cut(T)
	at := b.most(*gap, *last, 0)
	if at > margin {
		return true
	}
	for step := 120.0; step >= 3; step /= 2 {
		for again := true; again; {
			again = false
			for _, d := range [8][2]float64{{0, 1}, {0, -1}, {1, 0}, {-1, 0}, {1, -1}, {-1, 1}, {1, 1}, {-1, -1}} {
				if again {
					break
				}
				g, l := min(max(0, *gap+step*d[0]), dearestGap), min(max(0, *last+step*d[1]), dearestGap)
				if g == *gap && l == *last {
					continue
				}
				if time.Now().After(b.until) {
					return false
				}
				if x := b.most(g, l, 0); x > at+1e-6 {
					at, *gap, *last = x, g, l
					if x > margin {
						return true
					}
					again = true
				}
			}
		}
	}
	return rounds > 0 && b.most(*gap, *last, rounds) > margin
}

// shortest is the bound: the greatest end found that no plan can be earlier than.
// upper is the end of a plan that is known. Past the budget it stops with what it
// has proved so far.
func (b *bounder) shortest(upper int32, budget time.Duration) int32 {
	if b.n == 0 {
		return 0
	}
	b.until = time.Now().Add(budget)
	lo := min(max(b.longestAlone(), b.capped()), upper)
	gap, last := 240.0, 120.0
	rounds := 0
	if b.unlike() {
		rounds = 60
	}
	hi := upper
	for lo < hi && time.Now().Before(b.until) {
		if mid := lo + (hi-lo)/2; b.proves(mid, &gap, &last, rounds) {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// unlike says whether a job takes longer on one printer than on another.
func (b *bounder) unlike() bool {
	for j := range b.n {
		d := b.least[j]
		for _, i := range b.who[j] {
			if b.dur[int(i)*b.n+j] != d {
				return true
			}
		}
	}
	return false
}

// longestAlone is the end of the job that ends last when each is alone on its
// best printer.
func (b *bounder) longestAlone() int32 {
	last := int32(0)
	for j := range b.n {
		first := never
		for _, i := range b.who[j] {
			s := nextIn(b.spans[i], b.always[i], b.ready[i])
			if s < never {
				first = min(first, s+b.dur[int(i)*b.n+j])
			}
		}
		if first < never {
			last = max(last, first)
		}
	}
	return last
}

// capped is the end that the cap on starts alone leaves possible: the starts fill
// the slots one after the other, the last of them with the shortest job.
func (b *bounder) capped() int32 {
	if b.slotMin == 0 || b.cap == 0 {
		return 0
	}
	slots := map[int32]bool{}
	var all []Window
	for i := range b.m {
		if b.always[i] {
			return b.least[b.byDur[0]] + int32((b.n-1)/int(b.cap))*b.slotMin
		}
		all = append(all, b.spans[i]...)
	}
	left := b.n
	for _, w := range union(all) {
		for s := int32(w[0]) / b.slotMin; s*b.slotMin < int32(w[1]); s++ {
			if slots[s] {
				continue
			}
			slots[s] = true
			if left -= int(b.cap); left <= 0 {
				return max(int32(w[0]), s*b.slotMin) + b.least[b.byDur[0]]
			}
		}
	}
	return 0
}

// quick is a bound from a dozen prices, for screening: at most upper.
func (b *bounder) quick(upper int32) int32 { return b.shortest(upper, 10*time.Millisecond) }
