package sim

import (
	"math"
	"strconv"
	"time"
)

// nextReport is when the next line comes that nobody asked for.
func (b *board) nextReport() vt {
	if b.mute {
		return never
	}
	t := min(b.tempAt, b.posAt, b.waitAt)
	if b.inCmd && !b.quiet {
		t = min(t, b.busyAt)
	}
	return t
}

// again is when a report that was just given comes again.
func (b *board) again(every vt) vt { return b.now + max(every, b.clk.virtual(reportGap)) }

func (b *board) reports() {
	if b.mute {
		return
	}
	if b.m.family == FamilyE {
		b.reportsE()
		return
	}
	if b.tempAt <= b.now {
		if !b.heatWaiting {
			b.say = append(b.say, ' ')
			b.temperatures()
			b.emit()
		}
		b.tempAt = b.again(b.tempEvery)
	}
	if b.posAt <= b.now {
		b.position(b.at)
		b.posAt = b.again(b.posEvery)
	}
	if b.waitAt <= b.now {
		b.put("wait")
		b.waitAt = b.again(time.Second)
	}
	if b.inCmd && !b.quiet && b.busyAt <= b.now {
		if b.m.busyHeating {
			b.say = append(b.say, "busy:"...)
			if b.heatWaiting {
				b.put("heating")
			} else {
				b.put(b.busyWord)
			}
		} else {
			b.say = append(b.say, "echo:busy: "...)
			b.put(b.busyWord)
		}
		b.busyLast = b.now
		b.busyAt = b.again(b.busyEvery)
	}
}

// beginCmd starts the busy clock for a handler.
func (b *board) beginCmd() {
	b.inCmd = true
	b.busyAt = never
	if b.busyEvery > 0 {
		b.busyAt = max(b.now+b.busyEvery, b.busyLast+b.clk.virtual(reportGap))
	}
}

func (b *board) endCmd() { b.inCmd = false }

// temperatures adds `T:… /… B:… /… @:… B@:…` to the line in hand.
func (b *board) temperatures() {
	for i, name := range [2]string{"T:", " B:"} {
		h := &b.heat[i]
		b.say = append(b.say, name...)
		c := h.reads()
		if !h.open && !h.short {
			c += b.noise()
		}
		b.say = strconv.AppendFloat(b.say, c, 'f', 2, 64)
		b.say = append(b.say, " /"...)
		b.say = strconv.AppendFloat(b.say, h.targetC, 'f', 2, 64)
	}
	for i, name := range [2]string{" @:", " B@:"} {
		b.say = append(b.say, name...)
		b.say = strconv.AppendInt(b.say, int64(b.heat[i].duty*127), 10)
	}
}

// noise is what a thermistor on a ten-bit converter shows around the truth.
func (b *board) noise() float64 {
	u := b.rnd.Uint32()
	return 0.04 * float64(int(u&3)+int(u>>2&3)-3)
}

// position sends p as M114 does, steps included.
func (b *board) position(p [4]float64) { b.positionLive(p, p) }

func (b *board) positionLive(p, live [4]float64) {
	for i, name := range [4]string{"X:", " Y:", " Z:", " E:"} {
		b.say = append(b.say, name...)
		b.say = strconv.AppendFloat(b.say, p[i]+0, 'f', 2, 64)
	}
	for i, name := range [3]string{" Count X:", " Y:", " Z:"} {
		b.say = append(b.say, name...)
		b.say = strconv.AppendInt(b.say, int64(math.Round(live[i]*b.limits.StepsPerMM[i])), 10)
	}
	b.emit()
}

// ok ends a command.
func (b *board) ok(s *slot) {
	b.say = append(b.say, "ok"...)
	if b.m.detailed {
		if s.shown {
			b.say = append(b.say, " N"...)
			b.say = strconv.AppendInt(b.say, s.number, 10)
		}
		b.say = append(b.say, " P"...)
		b.say = strconv.AppendInt(b.say, int64(b.steps.free()), 10)
		b.say = append(b.say, " B"...)
		b.say = strconv.AppendInt(b.say, int64(queueLines-b.qN), 10)
	}
	b.emit()
}

// heatSoon lets the heaters be looked after while anything about them changes.
func (b *board) heatSoon() {
	if b.heatAt != never {
		return
	}
	for i := range b.heat {
		if b.heat[i].active(b.o.AmbientC) {
			b.heatLast, b.heatAt = b.now, b.now+heatStep
			return
		}
	}
}

func (b *board) heatTick() {
	dt := b.heatAt - b.heatLast
	b.heatLast = b.heatAt
	active := false
	for i := range b.heat {
		h := &b.heat[i]
		h.step(dt, b.heatAt, b.o.AmbientC)
		active = active || h.active(b.o.AmbientC)
	}
	b.heatAt += heatStep
	if !active {
		b.heatAt = never
		for i := range b.heat {
			h := &b.heat[i]
			h.massC, h.readC = b.o.AmbientC, b.o.AmbientC
		}
	}
	if b.end != running {
		return
	}
	for i := range b.heat {
		h := &b.heat[i]
		if f := h.protect(b.now); f != heatOK {
			b.heatHalt(h, f)
			return
		}
	}
}

// heatHalt is what the firmware does about a heater that it no longer trusts.
func (b *board) heatHalt(h *heater, f heatFault) {
	b.put("Error:" + string(f) + ", system stopped! Heater_ID: " + h.name)
	if b.m.actions && !b.homed {
		b.put("echo:Home XYZ First\r")
	}
	switch f {
	case heatFailed:
		b.put("echo:Heating Failed")
	case heatRunaway:
		b.put("echo:THERMAL RUNAWAY")
	case heatMin:
		b.put("echo:Err: MINTEMP")
	case heatMax:
		b.put("echo:Err: MAXTEMP")
	}
	b.halt(string(f) + " " + h.name)
}
