package plan

import "math"

// rng is SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number
// generators, 2014): small enough to be inlined where changes are drawn.
type rng struct{ s uint64 }

func newRNG(seed uint64) rng { return rng{seed*0x9e3779b97f4a7c15 + 0x632be59bd9b4e019} }

func (r *rng) next() uint64 {
	r.s += 0x9e3779b97f4a7c15
	z := r.s
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below draws from 0 to n-1 (multiply-shift; the bias at these n is below 1e-6).
func (r *rng) below(n int) int { return int(r.next() >> 32 * uint64(n) >> 32) }

// logs holds -ln(u) for evenly spread u: how far uphill a change may go, in
// units of the temperature.
var logs = func() (t [4096]float64) {
	for k := range t {
		t[k] = -math.Log((float64(k) + 0.5) / float64(len(t)))
	}
	return t
}()
