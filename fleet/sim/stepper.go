package sim

import (
	"math"
	"time"

	"undercroft/gcode/motion"
)

// plannerSlots is how many moves the firmware holds, the running one included.
// The ring has one slot more, which it cannot fill.
const plannerSlots = 15

// startDelay is how long the firmware waits for company before it starts a
// move from a standstill; startAt moves in the queue end the wait.
const (
	startDelay = 100 * time.Millisecond
	startAt    = 3
)

// pacer says how long moves take.
type pacer interface {
	SetLimits(motion.Limits)
	Push(delta [4]float64, feedMMs float64) bool
	Pop() (seconds float64, ok bool)
	Len() int
	Reset()
}

// block is a move that was accepted and is not done.
type block struct {
	from, end [4]float64 // X Y Z E as the commands count them, mm
	de        float64    // filament, mm
	seq       int64      // the command it belongs to, -1 for the firmware's own moves
	last      bool       // the last block of that command
}

func newPace(l motion.Limits) pacer { return motion.NewPlanner(l, plannerSlots+1) }

// stepper runs the planned moves one after the other in virtual time.
type stepper struct {
	pace     pacer
	slots    int // moves that it holds, the running one included
	delay    vt  // before a move from a standstill
	blocks   [plannerSlots + 1]block
	head, n  int // oldest block and how many, the running one included
	running  bool
	startsAt vt // when the delay from a standstill ends
	began    vt
	ends     vt
}

func (s *stepper) at(i int) *block { return &s.blocks[(s.head+i)%len(s.blocks)] }

// full says whether the next move has to wait.
func (s *stepper) full() bool { return s.n >= s.slots }

// free is the P of an advanced ok.
func (s *stepper) free() int { return s.slots - s.n }

// push takes a move at now. It is false when nothing is to be done because the
// move has no length.
func (s *stepper) push(bl block, delta [4]float64, feedMMs float64, now vt) bool {
	before := s.pace.Len()
	if !s.pace.Push(delta, feedMMs) || s.pace.Len() == before {
		return false
	}
	*s.at(s.n) = bl
	s.n++
	switch {
	case s.running:
	case s.n == 1:
		s.startsAt = now + s.delay
	case s.n >= startAt && now < s.startsAt:
		s.startsAt = now
	}
	return true
}

// next is when something happens here: the running move ends or the waiting one
// starts.
func (s *stepper) next() vt {
	switch {
	case s.running:
		return s.ends
	case s.n > 0:
		return s.startsAt
	}
	return never
}

// start takes the oldest move out of the planner and runs it from t on.
func (s *stepper) start(t vt) {
	sec, ok := s.pace.Pop()
	if !ok {
		return
	}
	s.running, s.began = true, t
	s.ends = t + vt(sec*1e9)
}

// finish ends the running move and starts the one behind it in the same instant.
func (s *stepper) finish() block {
	done := *s.at(0)
	s.head = (s.head + 1) % len(s.blocks)
	s.n--
	s.running = false
	if s.n > 0 {
		s.start(s.ends)
	}
	return done
}

// where is the position at now, found by even travel between the ends of the
// running move: good for what a person or a report may see of it.
func (s *stepper) where(rest [4]float64, now vt) [4]float64 {
	if !s.running {
		return rest
	}
	bl := s.at(0)
	f := 1.0
	if d := s.ends - s.began; d > 0 {
		f = math.Max(0, math.Min(1, float64(now-s.began)/float64(d)))
	}
	var p [4]float64
	for i := range p {
		p[i] = bl.from[i] + f*(bl.end[i]-bl.from[i])
	}
	return p
}

// clear drops everything that was planned.
func (s *stepper) clear() {
	s.pace.Reset()
	s.head, s.n, s.running = 0, 0, false
}
