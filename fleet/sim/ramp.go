package sim

import (
	"math"

	"undercroft/gcode/motion"
)

// rampPace is how family E was watched to move: over the whole of a move its
// speed changes evenly from the last feed rate to this one, and there is no
// look-ahead. A ring of its queue's size.
type rampPace struct {
	l      motion.Limits
	feed   float64 // mm/s at the end of the newest move
	first  float64
	q      [slotsE + 1]float64 // seconds
	head   int
	length int
}

func newRampPace(l motion.Limits, feedMMs float64) *rampPace {
	return &rampPace{l: l, feed: feedMMs, first: feedMMs}
}

func (p *rampPace) SetLimits(l motion.Limits) { p.l = l }
func (p *rampPace) Len() int                  { return p.length }
func (p *rampPace) Reset()                    { p.length, p.feed = 0, p.first }

func (p *rampPace) Push(d [4]float64, feedMMs float64) bool {
	if p.length == len(p.q) {
		return false
	}
	s := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
	if s == 0 {
		s = math.Abs(d[3])
	}
	if s == 0 {
		return true
	}
	for i := range d {
		if a := math.Abs(d[i]); a > 0 && p.l.MaxFeedMMs[i] > 0 {
			feedMMs = min(feedMMs, p.l.MaxFeedMMs[i]*s/a)
		}
	}
	p.q[(p.head+p.length)%len(p.q)] = 2 * s / (p.feed + feedMMs)
	p.length++
	p.feed = feedMMs
	return true
}

func (p *rampPace) Pop() (float64, bool) {
	if p.length == 0 {
		return 0, false
	}
	t := p.q[p.head]
	p.head = (p.head + 1) % len(p.q)
	p.length--
	return t, true
}
