// Package learn compares how long runs took with what was estimated, and gives
// each estimate a range that holds as often as it says. It is pure: a history
// goes in, ranges come out.
//
// A run is seen as a time before its first layer is down, beyond what the
// estimate gives that layer (heating, homing, levelling), and a factor on the
// rest. Both are learned for a printer and a kind of file, and lean on the
// printer, then on the whole house, while there is little to go by. Ranges come
// from how far earlier predictions were off when they were made, and not from a
// distribution that is assumed: the newest count most, so that drift is
// followed, and one run that stood still for a night moves a quantile by one
// place. How deep into the tails a range reaches is corrected by how often it
// held (adaptive conformal inference: Gibbs and Candès, 2021, from memory).
package learn

import (
	"cmp"
	"math"
	"slices"
	"strconv"
)

// Run is one finished run.
type Run struct {
	Printer string
	Group   string // kind of file: what its speed and its errors depend on
	// EstimateS and ActualS are whole: from the start to the last command, pauses
	// for a person left out where they are known.
	EstimateS, ActualS float64
	// FirstEstimateS and FirstActualS are up to the end of the first layer; both
	// zero when that is not known.
	FirstEstimateS, FirstActualS float64
}

// Range is what an estimate means on one printer, in seconds.
type Range struct {
	LowS, MidS, HighS float64
	// Holds is how often the truth is to lie between low and high.
	Holds float64
	// Of says what was learned from: this printer and kind of file, this printer,
	// the house; Runs counts them all.
	OwnRuns, PrinterRuns, Runs int
	// BeforeS is the time before the first layer beyond the estimate, Factor the
	// one on the rest.
	BeforeS, Factor float64
}

// Holds is how often a range is to hold. Half of what is outside lies on either side.
const Holds = 0.8

const (
	decay     = 0.97 // of a run's weight with each later one of the same pool
	memory    = 120  // runs that a pool keeps
	lean      = 5.0  // runs' worth that a level leans on the one above
	step      = 0.03 // of the correction by how often ranges held
	leastTail = 0.004
	mostTail  = 0.45
	// bounds of what is believed of a factor: beyond, a clock was set or a night
	// was slept.
	mostOff = 3.0 // natural logarithm
)

// pool keeps the newest values, oldest first.
type pool struct {
	v []float64
	n int // ever
}

func (p *pool) add(v float64) {
	p.n++
	p.v = append(p.v, v)
	if len(p.v) > memory {
		p.v = p.v[1:]
	}
}

// weighted appends the pool's values with weights that sum up to at most mass.
func (p *pool) weighted(out []weight, mass float64) []weight {
	if p == nil || len(p.v) == 0 {
		return out
	}
	sum, w := 0.0, 1.0
	from := len(out)
	for i := len(p.v) - 1; i >= 0; i-- {
		out = append(out, weight{p.v[i], w})
		sum += w
		w *= decay
	}
	if sum > mass {
		for i := from; i < len(out); i++ {
			out[i].w *= mass / sum
		}
	}
	return out
}

// effective is the number of runs that the weights are worth.
func (p *pool) effective() float64 {
	if p == nil {
		return 0
	}
	return (1 - math.Pow(decay, float64(len(p.v)))) / (1 - decay)
}

type weight struct{ v, w float64 }

// quantile is the weighted quantile, between the values by their weights' middles.
func quantile(list []weight, q float64) float64 {
	slices.SortFunc(list, func(a, b weight) int { return cmp.Compare(a.v, b.v) })
	total := 0.0
	for _, x := range list {
		total += x.w
	}
	at, before := 0.0, weight{}
	for i, x := range list {
		mid := (at + x.w/2) / total
		if mid >= q {
			if i == 0 {
				return x.v
			}
			lo := (at - before.w/2) / total
			if mid <= lo {
				return x.v
			}
			return before.v + (x.v-before.v)*(q-lo)/(mid-lo)
		}
		at += x.w
		before = x
	}
	return list[len(list)-1].v
}

type key struct{ printer, group string }

// Model is what a history has taught. Its zero value has learned nothing.
type Model struct {
	factors map[key]*pool // natural logarithms of actual by estimate, for own, printer (group ""), house (both "")
	befores map[key]*pool // seconds before the first layer beyond the estimate
	errors  map[key]*pool // what predictions were off by when they were made, in logarithms
	lowTail float64
	topTail float64
}

// New learns a history, oldest run first. Runs that cannot be (no time, not a
// number) are left out.
func New(history []Run) *Model {
	m := &Model{factors: map[key]*pool{}, befores: map[key]*pool{}, errors: map[key]*pool{}, lowTail: (1 - Holds) / 2, topTail: (1 - Holds) / 2}
	for _, r := range history {
		m.Add(r)
	}
	return m
}

func levels(printer, group string) [3]key {
	return [3]key{{printer, group}, {printer, ""}, {"", ""}}
}

func at(pools map[key]*pool, k key) *pool {
	p := pools[k]
	if p == nil {
		p = &pool{}
		pools[k] = p
	}
	return p
}

func sane(v float64) bool { return v > 0 && !math.IsInf(v, 0) && v < 1e8 }

// Add learns one more run.
func (m *Model) Add(r Run) {
	if !sane(r.EstimateS) || !sane(r.ActualS) {
		return
	}
	keys := levels(r.Printer, r.Group)
	// What would have been said of this run teaches how far what is said is off.
	off := m.off(r, keys)
	if n := m.errors[keys[2]]; n != nil && n.n > 0 {
		low, high := m.tails(keys)
		m.lowTail = clamp(m.lowTail + step*((1-Holds)/2-is(off < low)))
		m.topTail = clamp(m.topTail + step*((1-Holds)/2-is(off > high)))
	}
	// A level learns how far off one is who knows only that level and those above.
	at(m.errors, keys[0]).add(off)
	at(m.errors, keys[1]).add(m.off(r, [3]key{keys[1], keys[1], keys[2]}))
	at(m.errors, keys[2]).add(m.off(r, [3]key{keys[2], keys[2], keys[2]}))
	restEstS, restS := r.EstimateS, r.ActualS
	if sane(r.FirstActualS) && r.FirstEstimateS >= 0 && r.FirstActualS < r.ActualS && r.FirstEstimateS < r.EstimateS {
		for _, k := range keys {
			at(m.befores, k).add(r.FirstActualS - r.FirstEstimateS)
		}
		restEstS, restS = r.EstimateS-r.FirstEstimateS, r.ActualS-r.FirstActualS
	} else {
		restS = max(restS-m.before(keys), restS/10)
	}
	f := math.Log(restS / restEstS)
	if math.IsNaN(f) {
		return
	}
	for _, k := range keys {
		at(m.factors, k).add(min(max(f, -mostOff), mostOff))
	}
}

// off is how far a run lay from what would have been said of it, as a logarithm.
func (m *Model) off(r Run, keys [3]key) float64 {
	return min(max(math.Log(r.ActualS/m.mid(keys, r.EstimateS)), -mostOff), mostOff)
}

func (m *Model) mid(keys [3]key, estimateS float64) float64 {
	return max(m.before(keys)+estimateS*math.Exp(m.location(m.factors, keys)), estimateS/20, 1)
}

func (m *Model) before(keys [3]key) float64 {
	// Heating and homing are the printer's, whatever the file.
	return max(m.location(m.befores, [3]key{keys[1], keys[1], keys[2]}), 0)
}

// own is how much the levels above count beside n runs' worth of one's own.
func own(n float64) float64 { return 2 * lean / (1 + n/lean) }

// location is the weighted median of a level, leaning on the one above it as
// long as it is worth few runs.
func (m *Model) location(pools map[key]*pool, keys [3]key) float64 {
	at := 0.0
	for i := len(keys) - 1; i >= 0; i-- {
		p := pools[keys[i]]
		if p == nil || len(p.v) == 0 || i > 0 && keys[i] == keys[i-1] {
			continue
		}
		mid := quantile(p.weighted(nil, math.Inf(1)), 0.5)
		n := p.effective()
		share := n / (n + lean)
		if i == len(keys)-1 {
			share = n / (n + 1)
		}
		at += share * (mid - at)
	}
	return at
}

// usual is what predictions are taken to be off by before there is any history:
// estimates of moves that leave out heating, corners and the firmware's own pace
// (common practice, no source). It weighs as much as a few runs.
var usual = []float64{-0.3, -0.15, -0.05, 0, 0.05, 0.1, 0.2, 0.35, 0.7}

// tails are the errors that low and high lie at.
func (m *Model) tails(keys [3]key) (low, high float64) {
	list := m.errors[keys[0]].weighted(nil, math.Inf(1))
	list = m.errors[keys[1]].weighted(list, own(m.errors[keys[0]].effective()))
	list = m.errors[keys[2]].weighted(list, own(m.errors[keys[1]].effective()))
	known := 0.0
	for _, x := range list {
		known += x.w
	}
	for _, v := range usual {
		list = append(list, weight{v, 3 / float64(len(usual)) / (1 + known/6)})
	}
	low, high = quantile(slices.Clone(list), m.lowTail), quantile(list, 1-m.topTail)
	return low, max(high, low)
}

// Predict says what an estimate means on a printer.
func (m *Model) Predict(printer, group string, estimateS float64) Range {
	keys := levels(printer, group)
	mid := m.mid(keys, estimateS)
	low, high := m.tails(keys)
	r := Range{LowS: mid * math.Exp(low), MidS: mid, HighS: mid * math.Exp(high), Holds: Holds, BeforeS: m.before(keys), Factor: math.Exp(m.location(m.factors, keys))}
	for i, n := range []*int{&r.OwnRuns, &r.PrinterRuns, &r.Runs} {
		if p := m.factors[keys[i]]; p != nil {
			*n = p.n
		}
	}
	return r
}

func clamp(tail float64) float64 { return min(max(tail, leastTail), mostTail) }

func is(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Group is the kind of file that a run's speed and errors depend on: what it is
// printed with.
func Group(material string, nozzleMM float64) string {
	return material + " " + strconv.FormatFloat(nozzleMM, 'g', 4, 64)
}
