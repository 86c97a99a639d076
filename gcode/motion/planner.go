package motion

import "math"

// The firmware's queue of moves, and what each may know of the next:
//
//	speed
//	  |      ______            ____________
//	  |     /      \    ______/            \
//	  |    /        \__/                    \
//	  |___/                                  \___ time
//	      |   move 1  |  2   |     move 3    |
//	          junctions ^    ^
//
// Each move runs a trapezoid: it speeds up at its acceleration from its entry
// speed to its nominal speed, holds that, and slows to the entry speed of the
// move behind it. Three rules fix the entry speeds:
//
//  1. A junction is passed no faster than its corner allows (junction.go).
//  2. From the newest move backwards: a move's entry speed is one from which it
//     can still brake to its exit speed within its length. The newest must be
//     able to stop.
//  3. From the oldest move forwards: a move's exit speed is one that it can
//     reach from its entry speed within its length.
//
// So a queue of short moves never runs faster than its whole length allows to
// stop in: looking ahead further only ever raises speeds. A move that has left
// the queue is done with: its exit speed, which is the entry speed of the oldest
// move left, stays as it is.
//
// Ways are whole steps, and what stepping adds to a trapezoid is in closed form
// (trapezoid.go). Limits of the model: a timer's ticks are not rounded to, and no
// move waits for the link.

// Planner is the look-ahead queue. The zero value is not usable; see NewPlanner.
type Planner struct {
	lim  Limits
	ring []block
	mask int
	size int // how many moves it may hold
	head int // index of the oldest, not masked
	tail int // behind the newest, not masked
	// planned is the newest move whose entry speed no later move can raise.
	planned int

	// What was asked for beyond the steps made so far, in steps: the rests of
	// rounding, and moves too short to be run.
	rest     [4]float64
	carrying bool // moves too short to be run wait for the next
	// Steps per mm and mm per step that ways are rounded to; fine where the
	// machine's are not known.
	grid, gridMM [4]float64

	// of the newest move, for the corner to the one behind it
	prevUnit    vector // of length one over all four where E takes part
	prevNominal float64
	prevSpeed   vector

	minStep    [4]float64 // just under six steps, in mm
	minSegment float64    // s
	// An acceleration up to this is within the limits of X, Y and E in any direction;
	// a speed up to this within those of X and Y; a speed of E up to this within its.
	freeAccel, freeFeed, freeFeedE float64
	// Divisions that most moves have in common.
	lastAccel, lastInvAccel     float64
	lastNominal, lastInvNominal float64
	// The root of the oldest move's entry2, when the move before it left; v below 0
	// where none did.
	entry speed
}

type block struct {
	lengthMM  float64
	accel     float64
	invAccel  float64
	twoAL     float64 // 2·accel·length
	entry2    float64 // square of the entry speed
	maxEntry2 float64
	nominal   float64
	nominal2  float64
	invNom    float64
	steps     float64 // per millimetre of the busiest axis; 0 when not known
}

// least2 is the square of the least speed, at which a move with none behind it
// ends.
func (b *block) least2() float64 {
	if b.steps > 0 {
		return min(0.5*b.accel/b.steps, b.nominal2)
	}
	return 0
}

// unknownGrid is the steps per mm of an axis whose steps are not known: finer than
// any machine's.
const unknownGrid = 1e12

// creepMMs stands for a feed of zero, which would never end.
const creepMMs = 0.05

// stepsDropped is the length in steps below which firmware merges a move into
// the next one.
const stepsDropped = 6

// roundedMM is the length below which whole steps are felt: they turn a direction
// by up to a degree where 80 steps make a millimetre.
const roundedMM = 1

// shallowQueue is how many moves firmware wants in its queue before it lets short
// ones pass at full speed: half of its 16 places.
const shallowQueue = 8

// NewPlanner returns an empty planner that looks ahead over that many moves, at
// least 2.
func NewPlanner(l Limits, blocks int) *Planner {
	blocks = max(2, blocks)
	n := 2
	for n < blocks {
		n *= 2
	}
	p := &Planner{ring: make([]block, n), mask: n - 1, size: blocks}
	p.SetLimits(l)
	return p
}

// SetLimits holds for moves pushed from here on.
func (p *Planner) SetLimits(l Limits) {
	p.lim = l
	p.minSegment = l.MinSegmentMS / 1000
	p.freeAccel, p.freeFeed, p.freeFeedE = math.Inf(1), math.Inf(1), math.Inf(1)
	for _, i := range [3]int{X, Y, E} {
		if m := l.MaxAccelMMs2[i]; m > 0 {
			p.freeAccel = min(p.freeAccel, m)
		}
		if m := l.MaxFeedMMs[i]; m > 0 && i == E {
			p.freeFeedE = m
		} else if m > 0 {
			p.freeFeed = min(p.freeFeed, m)
		}
	}
	for i, s := range l.StepsPerMM {
		if !(s > 0) {
			s = unknownGrid
		}
		if s != p.grid[i] {
			p.grid[i], p.gridMM[i], p.rest[i] = s, 1/s, 0
			p.minStep[i] = (stepsDropped - 0.5) / s
		}
	}
}

// Limits gives the limits that hold now.
func (p *Planner) Limits() Limits { return p.lim }

// Len is the number of moves in the queue.
func (p *Planner) Len() int { return p.tail - p.head }

// Reset empties the planner and forgets the last direction.
func (p *Planner) Reset() {
	p.head, p.tail, p.planned = 0, 0, 0
	p.rest, p.carrying = [4]float64{}, false
	p.prevNominal = 0
}

// Push queues a straight move by delta in mm at feedMMs, the speed along X, Y
// and Z together or of E alone. It returns false, having done nothing, when the
// queue is full. A move of no length, or too short to be run by itself, takes no
// place in the queue.
func (p *Planner) Push(delta [4]float64, feedMMs float64) bool {
	return p.PushXYZE(delta[X], delta[Y], delta[Z], delta[E], feedMMs)
}

// PushXYZE is Push with the delta's parts as they come: arrays go through memory.
func (p *Planner) PushXYZE(x, y, z, e, feedMMs float64) bool {
	length := math.Sqrt(x*x + y*y + z*z)
	return p.PushMeasured(x, y, z, e, length, 1/length, feedMMs)
}

// PushMeasured is PushXYZE for who knows the length over X, Y and Z already, and
// its inverse: a root and a division are what a move's time hangs on longest.
func (p *Planner) PushMeasured(x, y, z, e, length, inv, feedMMs float64) bool {
	n := p.tail - p.head
	if n >= p.size {
		return false
	}
	// The machine moves by whole steps.
	wx, wy, wz, we := p.rest[X]+x*p.grid[X], p.rest[Y]+y*p.grid[Y], p.rest[Z]+z*p.grid[Z], p.rest[E]+e*p.grid[E]
	nx, ny, nz, ne := math.RoundToEven(wx), math.RoundToEven(wy), math.RoundToEven(wz), math.RoundToEven(we)
	if length < roundedMM || p.carrying {
		if p.carrying = math.Abs(nx) < stepsDropped && math.Abs(ny) < stepsDropped && math.Abs(nz) < stepsDropped &&
			math.Abs(ne) < stepsDropped; p.carrying {
			p.rest = [4]float64{wx, wy, wz, we}
			return true
		}
		x, y, z, e = nx*p.gridMM[X], ny*p.gridMM[Y], nz*p.gridMM[Z], ne*p.gridMM[E]
		length = math.Sqrt(x*x + y*y + z*z)
		inv = 1 / length
	}
	p.rest = [4]float64{wx - nx, wy - ny, wz - nz, we - ne}
	ax, ay, az, ae := math.Abs(x), math.Abs(y), math.Abs(z), math.Abs(e)
	onlyE := ax < p.minStep[X] && ay < p.minStep[Y] && az < p.minStep[Z]

	l := &p.lim
	accel := l.AccelPrintMMs2
	if onlyE {
		accel = l.AccelRetractMMs2
		length, inv = ae, 1/ae
	} else if ae == 0 {
		accel = l.AccelTravelMMs2
	}
	u := vector{x * inv, y * inv, z * inv, e * inv}
	ax, ay, az, ae = ax*inv, ay*inv, az*inv, ae*inv

	nominal := feedMMs
	minFeed := l.MinFeedMMs
	if ae == 0 {
		minFeed = l.MinTravelFeedMMs
	}
	if nominal < minFeed {
		nominal = minFeed
	}
	if p.minSegment > 0 && n >= 2 && n < shallowQueue {
		// With few moves queued, firmware stretches short ones so that the queue
		// can fill up again.
		if t := length / nominal; t < p.minSegment {
			nominal = length / (t + 2*(p.minSegment-t)/float64(n))
		}
	}
	if nominal > p.freeFeed || nominal*ae > p.freeFeedE || az != 0 {
		nominal = limitByAxis(nominal, ax, ay, az, ae, &l.MaxFeedMMs)
	}
	if accel > p.freeAccel || az != 0 {
		accel = limitByAxis(accel, ax, ay, az, ae, &l.MaxAccelMMs2)
	}
	if !(nominal > 0) {
		nominal = creepMMs
	}
	if !(accel > 0) {
		accel = math.Inf(1)
	}

	// The speed below which the firmware does not step: v² = 0.5·a/s for s steps
	// per millimetre of the move's busiest axis. At that speed a step takes as long
	// as the first one from rest. Without known steps it is zero.
	steps := ax * l.StepsPerMM[X]
	if s := ay * l.StepsPerMM[Y]; s > steps {
		steps = s
	}
	if s := az * l.StepsPerMM[Z]; s > steps {
		steps = s
	}
	if s := ae * l.StepsPerMM[E]; s > steps {
		steps = s
	}
	nominal2 := nominal * nominal

	if accel != p.lastAccel {
		p.lastAccel, p.lastInvAccel = accel, 1/accel
	}
	if nominal != p.lastNominal {
		p.lastNominal, p.lastInvNominal = nominal, 1/nominal
	}
	if n == 0 {
		p.entry.v = -1
	}
	var v2 float64
	if l.JunctionDeviationMM > 0 {
		v2 = p.deviation2(u, length, accel, nominal, n == 0)
	} else {
		v2 = p.jerk2(u, nominal, n == 0)
	}
	if v2 > nominal2 {
		v2 = nominal2
	}
	b := &p.ring[p.tail&p.mask]
	b.lengthMM, b.accel, b.invAccel = length, accel, p.lastInvAccel
	b.twoAL = 2 * accel * length
	b.nominal, b.nominal2, b.invNom = nominal, nominal2, p.lastInvNominal
	b.steps = steps
	if v2*steps < 0.5*accel {
		if least := b.least2(); v2 < least {
			v2 = least
		}
	}
	b.maxEntry2, b.entry2 = v2, v2
	if b.twoAL < v2 {
		if stops := b.twoAL + b.least2(); stops < v2 {
			b.entry2 = stops
		}
	}
	p.prevNominal = nominal
	p.tail++
	p.replan()
	return true
}

// vector is a direction.
type vector struct{ x, y, z, e float64 }

// limitByAxis lowers v along a direction, given by its absolute parts, until no
// axis passes its own limit; a limit of zero is none.
func limitByAxis(v, ax, ay, az, ae float64, limit *[4]float64) float64 {
	if m := limit[X]; v*ax > m && m > 0 {
		v = m / ax
	}
	if m := limit[Y]; v*ay > m && m > 0 {
		v = m / ay
	}
	if m := limit[Z]; v*az > m && m > 0 {
		v = m / az
	}
	if m := limit[E]; v*ae > m && m > 0 {
		v = m / ae
	}
	return v
}

// replan applies rules 2 and 3 to the queue after a push.
func (p *Planner) replan() {
	// Backwards. The newest move may have to stop; each move before it may enter
	// at what the next allows. A move that was planned already cannot gain.
	i := p.tail - 1
	cur := &p.ring[i&p.mask]
	first := i
	for i--; i > p.planned; i-- {
		b := &p.ring[i&p.mask]
		if b.entry2 == b.maxEntry2 {
			break
		}
		e := cur.entry2 + b.twoAL
		if e > b.maxEntry2 {
			e = b.maxEntry2
		}
		if e == b.entry2 {
			break
		}
		b.entry2 = e
		first = i
		cur = b
	}
	// Forwards from the last move that did not change.
	for i = max(first-1, p.planned); i < p.tail-1; i++ {
		b, next := &p.ring[i&p.mask], &p.ring[(i+1)&p.mask]
		if reach := b.entry2 + b.twoAL; reach < next.entry2 {
			next.entry2 = reach
			p.planned = i + 1
		} else if next.entry2 == next.maxEntry2 {
			p.planned = i + 1
		}
	}
}

// Pop takes the oldest move out and gives its duration with what is queued
// behind it now; with nothing behind it, it ends at a stop. ok is false when the
// queue is empty.
func (p *Planner) Pop() (seconds float64, ok bool) {
	if p.head == p.tail {
		return 0, false
	}
	b := &p.ring[p.head&p.mask]
	p.head++
	var exit2 float64
	if p.head < p.tail {
		exit2 = p.ring[p.head&p.mask].entry2
	} else {
		exit2 = b.least2()
	}
	if p.planned < p.head {
		p.planned = p.head
	}
	start := p.entry
	if start.v < 0 {
		v := math.Sqrt(b.entry2)
		start = speed{v, 1 / v}
	}
	end := speed{b.nominal, b.invNom}
	if exit2 != b.nominal2 {
		v := math.Sqrt(exit2)
		end = speed{v, 1 / v}
	}
	p.entry = end
	return b.seconds(exit2, start, end), true
}
