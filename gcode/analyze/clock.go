package analyze

import (
	"math"

	"undercroft/gcode/motion"
)

// clock runs a file's moves through the planner and its heating through the
// thermal model, and keeps the time at which each layer begins and ends. What it
// is told takes effect in order but later: events are handed over in batches to a
// goroutine of its own, so that reading and planning share two cores.
type clock struct {
	plan  *motion.Planner
	heatS func(h Heater, from, to float64) float64
	// tags holds the tag of each move in the planner.
	tags             [32]int32 // more than lookAhead, a power of two
	tagHead, tagTail uint
	motion, heat     float64 // seconds
	constant         float64 // seconds of homing and levelling
	spans            []span  // by tag
	heaters          [firstNozzle + maxTools]heater

	batch      *batch      // being filled
	full, free chan *batch // nil until start: then batches run where they fill
	done       chan struct{}
}

// span is when a layer begins and ends, in seconds; end is 0 before it began.
type span struct{ start, end float64 }

// Places of the heaters.
const (
	bedHeater = iota
	chamberHeater
	firstNozzle
)

type event struct {
	op            op
	tag           int32 // of opMove; the heater of opTarget and opWait
	x, y, z, e, f float64
	length, inv   float64 // of opMove: over X, Y and Z, and 1/length
}

type op uint8

const (
	opMove   op = iota // x y z e mm at f mm/s
	opDrain            // wait for the moves to end
	opDwell            // that, and x s more
	opFixed            // that, and x s of homing or levelling
	opLimits           // the next of the batch's limits
	opTarget           // a heater is set to x °C
	opWait             // wait for a heater; y above 0: for its cooling too
)

type batch struct {
	n      uint // of events
	events [batchEvents]event
	limits []motion.Limits
}

const (
	batchEvents = 2048
	batches     = 3
	// tagNone is the tag of moves that lay no material.
	tagNone = -1
)

func newClock(l motion.Limits, heatS func(Heater, float64, float64) float64) *clock {
	c := &clock{plan: motion.NewPlanner(l, lookAhead), heatS: heatS, batch: &batch{}}
	for i := range c.heaters {
		c.heaters[i] = heater{kind: HeatNozzle, fromC: ambientC}
	}
	c.heaters[bedHeater].kind = HeatBed
	c.heaters[chamberHeater].kind = HeatChamber
	return c
}

// start lets the clock run beside the reading. stop must follow.
func (c *clock) start() {
	c.full, c.free, c.done = make(chan *batch, batches), make(chan *batch, batches), make(chan struct{})
	for range batches - 1 {
		c.free <- nil
	}
	go func() {
		defer close(c.done)
		for b := range c.full {
			c.run(b)
			c.free <- b
		}
	}()
}

// stop waits until everything has taken effect. The clock's times are right only
// after it.
func (c *clock) stop() {
	if c.full == nil {
		c.run(c.batch)
		return
	}
	c.full <- c.batch
	close(c.full)
	<-c.done
	c.full = nil
	c.batch = &batch{}
}

// tell appends an event.
func (c *clock) tell(e event) { *c.next() = e }

// next appends an event that is still to be filled in.
func (c *clock) next() *event {
	if c.batch.n == batchEvents {
		c.handOver()
	}
	c.batch.n++
	return &c.batch.events[(c.batch.n-1)%batchEvents]
}

// handOver lets the full batch run and takes an empty one.
func (c *clock) handOver() {
	if c.full == nil {
		c.run(c.batch)
		return
	}
	c.full <- c.batch
	if c.batch = <-c.free; c.batch == nil {
		c.batch = &batch{}
	}
}

func (c *clock) move(x, y, z, e, feed float64, tag int32) {
	length := math.Sqrt(x*x + y*y + z*z)
	c.measured(x, y, z, e, length, 1/length, feed, tag)
}

// measured is move where its length and the inverse of that are known.
func (c *clock) measured(x, y, z, e, length, inv, feed float64, tag int32) {
	v := c.next()
	v.op, v.tag, v.x, v.y, v.z, v.e, v.length, v.inv, v.f = opMove, tag, x, y, z, e, length, inv, feed
}

func (c *clock) drain()                   { c.tell(event{op: opDrain}) }
func (c *clock) dwell(s float64)          { c.tell(event{op: opDwell, x: s}) }
func (c *clock) fixed(s float64)          { c.tell(event{op: opFixed, x: s}) }
func (c *clock) target(h int, to float64) { c.tell(event{op: opTarget, tag: int32(h), x: to}) }

func (c *clock) wait(h int, cools bool) {
	e := event{op: opWait, tag: int32(h)}
	if cools {
		e.y = 1
	}
	c.tell(e)
}

func (c *clock) setLimits(l *motion.Limits) {
	c.tell(event{op: opLimits})
	c.batch.limits = append(c.batch.limits, *l)
}

// run carries out a batch and empties it.
func (c *clock) run(b *batch) {
	limits := 0
	for i := range b.n {
		v := &b.events[i]
		switch v.op {
		case opMove:
			c.push(v)
		case opLimits:
			c.plan.SetLimits(b.limits[limits])
			limits++
		case opTarget:
			h := &c.heaters[v.tag]
			h.fromC = h.at(c.now(), c.heatS)
			h.target, h.sinceS = v.x, c.now()
		case opDrain, opDwell, opFixed, opWait:
			for c.plan.Len() > 0 {
				c.pop()
			}
			switch v.op {
			case opDwell:
				c.motion += v.x
			case opFixed:
				c.constant += v.x
			case opWait:
				c.warm(&c.heaters[v.tag], v.y > 0)
			}
		}
	}
	b.n, b.limits = 0, b.limits[:0]
}

// now is the file's clock: what the moves taken out of the planner, the dwells,
// the heating, homing and levelling have used.
func (c *clock) now() float64 { return c.motion + c.heat + c.constant }

func (c *clock) push(v *event) {
	n := c.plan.Len()
	if n == lookAhead {
		c.pop()
		n--
	}
	c.plan.PushMeasured(v.x, v.y, v.z, v.e, v.length, v.inv, v.f)
	if c.plan.Len() > n {
		c.tags[c.tagTail%uint(len(c.tags))] = v.tag
		c.tagTail++
	}
}

func (c *clock) pop() {
	s, _ := c.plan.Pop()
	tag := c.tags[c.tagHead%uint(len(c.tags))]
	c.tagHead++
	if tag >= 0 {
		t := c.spanOf(tag)
		start := c.now()
		if t.end == 0 {
			t.start = start
		}
		t.end = start + s
	}
	c.motion += s
}

func (c *clock) spanOf(tag int32) *span {
	for int(tag) >= len(c.spans) {
		c.spans = append(c.spans, span{})
	}
	return &c.spans[tag]
}

// span gives the times of a tag.
func (c *clock) span(tag int32) span {
	if tag < 0 || int(tag) >= len(c.spans) {
		return span{}
	}
	return c.spans[tag]
}

// warm runs the clock until a heater has reached its target.
func (c *clock) warm(h *heater, cools bool) {
	at := h.at(c.now(), c.heatS)
	s := 0.0
	switch {
	case h.target > at:
		s = c.heatS(h.kind, at, h.target)
	case cools && h.target > 0:
		s = coolS(h.kind, at, h.target)
	}
	if s > 0 {
		c.heat += s
		h.fromC, h.sinceS = h.target, c.now()
	}
}
