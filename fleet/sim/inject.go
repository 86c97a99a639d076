package sim

import (
	"bytes"
	"math"
	"math/rand/v2"
	"time"
)

const pieceGap = 20 * time.Millisecond // between the parts of a split line

// countdown draws how many trials pass before the next hit, so that a trial
// that does not hit costs a decrement.
type countdown struct {
	rate float64
	left int64
}

func newCountdown(rate float64, rnd *rand.Rand) countdown {
	c := countdown{rate: rate}
	c.draw(rnd)
	return c
}

func (c *countdown) draw(rnd *rand.Rand) {
	switch {
	case c.rate <= 0:
		c.left = math.MaxInt64
	case c.rate >= 1:
		c.left = 0
	default:
		// Inverse of the geometric distribution.
		n := math.Log(1-rnd.Float64()) / math.Log1p(-c.rate)
		c.left = int64(min(n, 1e18))
	}
}

// hit is one trial.
func (c *countdown) hit(rnd *rand.Rand) bool {
	if c.left > 0 {
		c.left--
		return false
	}
	c.draw(rnd)
	return true
}

// damaged says what happened to a byte on its way to the board.
type damaged byte

const (
	intact     damaged = iota
	changed            // it is not what was sent
	lostBefore         // one or more before it did not arrive
)

// injector spoils what passes over the line.
type injector struct {
	f     Faults
	rnd   *rand.Rand
	count FaultCount
	in    bool // something may happen to bytes on the way in
	out   bool // … on the way out
	per   bool // … after a command

	flip, lose, burst, loseLine              countdown
	flipBack, loseBack                       countdown
	loseReply, loseOK, double, split, glue   countdown
	delay, unplug, reset, silence, hang      countdown
	burstLeft                                int
	mid, dropping                            bool
	taintNext, lostEnd                       bool
	buf                                      []byte
	bad                                      []damaged // beside buf
	nextLine                                 int64     // commands after which the next event is due
	nextAt                                   vt
	events                                   []FaultEvent
	replugAt, refillAt, silentTill, holdTill vt
}

func newInjector(f Faults, seed uint64) *injector {
	i := &injector{f: f, rnd: rand.New(rand.NewPCG(seed, 0x6661756c74))}
	if f.BurstBytes == 0 {
		i.f.BurstBytes = 4
	}
	if f.DelayFor == 0 {
		i.f.DelayFor = 200 * time.Millisecond
	}
	for _, c := range []struct {
		c    *countdown
		rate float64
		on   *bool
	}{
		{&i.flip, f.Flip, &i.in}, {&i.lose, f.LoseByte, &i.in}, {&i.burst, f.Burst, &i.in}, {&i.loseLine, f.LoseLine, &i.in},
		{&i.flipBack, f.FlipBack, &i.out}, {&i.loseBack, f.LoseByteBack, &i.out}, {&i.loseReply, f.LoseReply, &i.out},
		{&i.loseOK, f.LoseOK, &i.out}, {&i.double, f.DoubleOK, &i.out}, {&i.split, f.Split, &i.out},
		{&i.glue, f.Glue, &i.out}, {&i.delay, f.Delay, &i.out},
		{&i.unplug, f.Unplug, &i.per}, {&i.reset, f.Reset, &i.per}, {&i.silence, f.Silence, &i.per}, {&i.hang, f.Hang, &i.per},
	} {
		*c.c = newCountdown(c.rate, i.rnd)
		if c.rate > 0 {
			*c.on = true
		}
	}
	i.events = append(i.events, f.Events...)
	i.replugAt, i.refillAt = never, never
	i.nextEvent()
	return i
}

// nextEvent finds when the next event is due.
func (i *injector) nextEvent() {
	i.nextLine, i.nextAt = math.MaxInt64, never
	for _, e := range i.events {
		if e.Line > 0 {
			i.nextLine = min(i.nextLine, e.Line)
		} else {
			i.nextAt = min(i.nextAt, e.At)
		}
	}
}

// spoil takes bytes on their way to the board and gives what arrives. The
// result is valid until the next call.
func (i *injector) spoil(p []byte) ([]byte, []damaged) {
	i.buf, i.bad = i.buf[:0], i.bad[:0]
	for _, c := range p {
		if !i.mid {
			i.dropping = i.loseLine.hit(i.rnd)
			if i.dropping {
				i.count.LostLines++
			}
		}
		i.mid = c != '\n'
		if i.dropping {
			continue
		}
		if i.lose.hit(i.rnd) {
			i.count.LostBytes++
			i.lostEnd = c == '\n' && !i.taintNext
			i.taintNext = true
			continue
		}
		// A line end in place of the lost one leaves the line as it was.
		bad := intact
		if i.taintNext && !(i.lostEnd && c == '\n') {
			bad = lostBefore
		}
		i.taintNext, i.lostEnd = false, false
		if i.flip.hit(i.rnd) {
			i.count.FlippedBits++
			c ^= 1 << i.rnd.UintN(8)
			bad = changed
		}
		if i.burstLeft == 0 && i.burst.hit(i.rnd) {
			i.count.Bursts++
			i.burstLeft = i.f.BurstBytes
		}
		if i.burstLeft > 0 {
			i.burstLeft--
			c = byte(i.rnd.UintN(256))
			bad = changed
		}
		i.buf = append(i.buf, c)
		i.bad = append(i.bad, bad)
	}
	return i.buf, i.bad
}

// garble spoils one line on its way to the host, in place, and gives what is
// left of it.
func (i *injector) garble(line []byte) []byte {
	kept := line[:0]
	for _, c := range line {
		if i.loseBack.hit(i.rnd) {
			i.count.LostBack++
			continue
		}
		if i.flipBack.hit(i.rnd) {
			i.count.FlippedBack++
			c ^= 1 << i.rnd.UintN(8)
		}
		kept = append(kept, c)
	}
	return kept
}

// sendSpoilt sends the line in say as the injector lets it through.
func (b *board) sendSpoilt() {
	i := b.inj
	isOK := bytes.HasPrefix(b.say, []byte("ok"))
	if i.loseReply.hit(i.rnd) || isOK && i.loseOK.hit(i.rnd) {
		i.count.LostReplies++
		return
	}
	times := 1
	if isOK && i.double.hit(i.rnd) {
		i.count.Doubled++
		times = 2
	}
	for range times {
		line := i.garble(append(b.spoilt[:0], b.say...))
		b.spoilt = line
		switch {
		case i.delay.hit(i.rnd):
			i.count.Delayed++
			b.hold(i.f.DelayFor)
		case len(line) > 1 && i.split.hit(i.rnd):
			i.count.Split++
			k := 1 + i.rnd.IntN(len(line)-1)
			b.queueOut(line[:k])
			b.hold(pieceGap)
			line = line[k:]
		case i.glue.hit(i.rnd):
			i.count.Glued++
			b.hold(pieceGap)
		}
		b.queueOut(line)
	}
}

// hold keeps back what is sent from here on for d of real time; what was sent
// before goes out first.
func (b *board) hold(d time.Duration) {
	b.send()
	b.inj.holdTill = max(b.inj.holdTill, b.clk.now()+b.clk.virtual(d))
}

// commanded looks whether something goes wrong after a command.
func (b *board) commanded() {
	b.commands++
	i := b.inj
	if b.commands >= i.nextLine {
		b.fireEvents()
	}
	if !i.per {
		return
	}
	for _, c := range [4]struct {
		c *countdown
		k FaultKind
	}{{&i.unplug, FaultUnplug}, {&i.reset, FaultReset}, {&i.silence, FaultSilence}, {&i.hang, FaultHang}} {
		if c.c.hit(i.rnd) {
			b.fault(c.k)
		}
	}
}

// nextFault is when the injector has something to do by itself.
func (b *board) nextFault() vt {
	return min(b.inj.nextAt, b.inj.replugAt, b.inj.refillAt)
}

// fireEvents lets happen what is due.
func (b *board) fireEvents() {
	i := b.inj
	left := i.events[:0]
	var due []FaultKind
	for _, e := range i.events {
		if e.Line > 0 && b.commands >= e.Line || e.Line == 0 && b.now >= e.At {
			due = append(due, e.Kind)
		} else {
			left = append(left, e)
		}
	}
	i.events = left
	i.nextEvent()
	for _, k := range due {
		b.fault(k)
	}
	if i.replugAt <= b.now {
		i.replugAt = never
		b.replug()
	}
	if i.refillAt <= b.now {
		i.refillAt = never
		b.setFilament(true)
	}
}

// till is the virtual end of a fault that lasts d of real time from now on; 0
// lasts for ever.
func (b *board) till(d time.Duration) vt {
	if d == 0 {
		return never
	}
	return b.now + b.clk.virtual(d)
}

func (b *board) fault(k FaultKind) {
	i := b.inj
	b.note("fault " + string(k))
	switch k {
	case FaultUnplug:
		i.count.Unplugs++
		b.unplug()
		i.replugAt = b.till(i.f.Replug)
	case FaultReset:
		i.count.Resets++
		b.reset("External Reset")
	case FaultSilence:
		i.count.Silences++
		i.silentTill = b.till(i.f.SilenceFor)
	case FaultHang:
		i.count.Hangs++
		b.hangTill = b.till(i.f.HangFor)
	case FaultRunout:
		b.setFilament(false)
		if i.f.Refill > 0 {
			i.refillAt = b.now + i.f.Refill
		}
	case FaultHeater:
		b.damage(NozzleHeater, Dead)
	case FaultBed:
		b.damage(BedHeater, Dead)
	case FaultOpen:
		b.damage(NozzleHeater, SensorOpen)
	case FaultShort:
		b.damage(NozzleHeater, SensorShort)
	case FaultBedOpen:
		b.damage(BedHeater, SensorOpen)
	case FaultBedShort:
		b.damage(BedHeater, SensorShort)
	case FaultEmergency:
		if b.end == running {
			b.halt("fault")
		}
	}
}

// unplug takes the cable out; the board lives on.
func (b *board) unplug() {
	if b.line == nil {
		return
	}
	b.line.close()
	b.line, b.in = nil, nil
	b.chunk, b.tx, b.txStuck = nil, b.tx[:0], false
	b.note("unplugged")
}

// replug puts it back in at the same path.
func (b *board) replug() {
	if b.line != nil || b.o.Path == "" {
		return
	}
	l, err := openPTY(b.o.Path, b.o.ResetOnOpen)
	if err != nil {
		b.note("replug failed: " + err.Error())
		b.inj.replugAt = b.now + b.clk.virtual(time.Second)
		return
	}
	b.plug(l)
	b.note("replugged")
}
