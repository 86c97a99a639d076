package analyze

import (
	"errors"
	"math"

	"undercroft/gcode"
	"undercroft/gcode/motion"
)

const xyzBits = 1<<('X'-'A') | 1<<('Y'-'A') | 1<<('Z'-'A')

// command carries out one command on the model of the machine.
func (a *analysis) command(c *gcode.Command) {
	m := &a.mode
	switch c.Letter {
	case 0:
		if m.motion < 0 {
			a.malformed(&gcode.SyntaxError{Column: c.Column(), Text: string(a.text), Err: gcode.ErrNoCommand})
			return
		}
		a.seen.modal = true
		a.motionCommand(c, m.motion)
	case 'G':
		if c.Number <= 3 && c.Sub == 0 {
			m.motion = c.Number
			a.motionWord = c.Number
			a.motionCommand(c, c.Number)
			return
		}
		a.g(c)
	case 'M':
		a.m(c)
	case 'T':
		a.t(c)
	default:
		a.unknown(c)
	}
	a.checkSendable(c)
}

// motionCommand is G0 to G3.
func (a *analysis) motionCommand(c *gcode.Command, number int) {
	m := &a.mode
	if f, ok := c.Get('F'); ok && f > 0 {
		m.feed = f * m.unit / 60
	}
	target := m.pos
	if c.Valued&xyzBits != 0 {
		for i := range 3 {
			bit := uint32(1) << (uint('X'-'A') + uint(i))
			if c.Valued&bit == 0 {
				continue
			}
			v := c.Value['X'-'A'+i] * m.unit
			if m.relative {
				target[i] += v
			} else {
				target[i] = v
				m.known[i] = true
			}
		}
	}
	de := 0.0
	if e, ok := c.Get('E'); ok {
		e *= m.unit
		if m.takesRelativeE() {
			de = e
			m.e += e
			if e != 0 {
				a.seen.relativeE = true
			}
		} else {
			de = e - m.e
			m.e = e
			if de != 0 {
				a.seen.absoluteE = true
			}
		}
		de *= m.flow
		if m.volumetric {
			de /= m.filamentMM2
		}
	}
	if number >= 2 {
		a.arc(c, number == 2, target, de)
		return
	}
	a.move(target, de, m.feed*m.speed)
}

func (a *analysis) g(c *gcode.Command) {
	m := &a.mode
	switch {
	case c.Sub != 0:
		a.unknown(c)
	case c.Number == 4:
		a.dwell(c)
	case c.Number == 10 && c.Valued&(gcode.Bit('P')|gcode.Bit('L')|gcode.Bit('R')) == 0:
		a.firmwareRetract(true)
	case c.Number == 11:
		a.firmwareRetract(false)
	case c.Number >= 17 && c.Number <= 19:
		m.plane = c.Number
	case c.Number == 20:
		m.unit = 25.4
		a.seen.inches = true
	case c.Number == 21:
		m.unit = 1
	case c.Number == 28:
		a.home(c)
	case c.Number == 29:
		a.drain()
		a.constS += a.o.LevellingS
	case c.Number == 90:
		m.relative, m.eByG91 = false, false
	case c.Number == 91:
		m.relative, m.eByG91 = true, true
		a.seen.relativeXYZ = true
	case c.Number == 92:
		a.setPosition(c)
	case c.Number == 10, c.Number == 30, c.Number == 53, c.Number == 54, c.Number == 80, c.Number == 94, c.Number == 61, c.Number == 60:
	default:
		a.unknown(c)
	}
}

// dwell is G4: P in milliseconds, S in seconds (RepRap).
func (a *analysis) dwell(c *gcode.Command) {
	a.drain()
	s := 0.0
	if v, ok := c.Get('S'); ok {
		s = v
	} else if v, ok := c.Get('P'); ok {
		s = v / 1000
	}
	if s > 0 {
		a.motionS += s
	}
}

// firmwareRetract is G10 and G11: the firmware moves E by its own setting and
// leaves the file's E coordinate alone.
func (a *analysis) firmwareRetract(back bool) {
	m := &a.mode
	a.seen.firmwareRetraction = true
	if back == m.retracted {
		return
	}
	m.retracted = back
	if back {
		a.draw(-m.retractMM)
		a.push([4]float64{3: -m.retractMM}, m.retractMMs, -1)
		if m.liftMM != 0 {
			a.push([4]float64{2: m.liftMM}, a.limits.MaxFeedMMs[motion.Z], -1)
		}
		return
	}
	if m.liftMM != 0 {
		a.push([4]float64{2: -m.liftMM}, a.limits.MaxFeedMMs[motion.Z], -1)
	}
	a.draw(m.retractMM + m.recoverMM)
	a.push([4]float64{3: m.retractMM + m.recoverMM}, m.recoverMMs, -1)
}

// home is G28. Homed axes stand at zero; the time is a constant of the printer.
func (a *analysis) home(c *gcode.Command) {
	a.drain()
	a.constS += a.o.HomingS
	m := &a.mode
	all := c.Has&xyzBits == 0
	for i := range 3 {
		if all || c.Has&(1<<(uint('X'-'A')+uint(i))) != 0 {
			m.pos[i], m.shift[i] = 0, 0
			m.known[i], m.homed[i] = true, true
		}
	}
}

// setPosition is G92. Once an axis is homed, the machine's own coordinate stays
// and the file's is shifted; before that the file's word is all there is.
func (a *analysis) setPosition(c *gcode.Command) {
	m := &a.mode
	if c.Has == 0 {
		m.e = 0
		for i := range 3 {
			a.setAxis(i, 0)
		}
		return
	}
	if e, ok := c.Get('E'); ok {
		m.e = e * m.unit
	}
	for i := range 3 {
		if v, ok := c.Get(byte('X' + i)); ok {
			a.setAxis(i, v*m.unit)
		}
	}
}

func (a *analysis) setAxis(i int, to float64) {
	m := &a.mode
	if m.homed[i] {
		m.shift[i] += m.pos[i] - to
	}
	m.pos[i] = to
	m.known[i] = true
}

func (a *analysis) t(c *gcode.Command) {
	if c.Number < 0 || c.Number >= 1000 {
		return // a pseudo-tool: the firmware's own business
	}
	a.drain()
	if c.Number > 0 {
		a.seen.tools = true
	}
	if c.Number >= maxTools {
		a.find("missing-tool", Refuse, c.Column(), c.Name()+" names a tool beyond any printer's")
		return
	}
	for len(a.tools) <= c.Number {
		a.tools = append(a.tools, toolState{})
	}
	a.mode.tool = c.Number
	a.checkTool(c)
}

// maxTools bounds the tools of one file.
const maxTools = 64

func (a *analysis) m(c *gcode.Command) {
	m := &a.mode
	s, hasS := c.Get('S')
	switch c.Number {
	case 82:
		m.relE, m.eByG91 = false, false
	case 83:
		m.relE = true
	case 104, 109:
		if c.Valued&gcode.Bit('R') != 0 {
			s, hasS = c.Get('R')
		}
		if hasS {
			a.heat(HeatNozzle, s, c.Number == 109, c.Given('R'), c)
		}
	case 140, 190:
		if c.Valued&gcode.Bit('R') != 0 {
			s, hasS = c.Get('R')
		}
		if hasS {
			a.heat(HeatBed, s, c.Number == 190, c.Given('R'), c)
		}
	case 141, 191:
		if hasS {
			a.heat(HeatChamber, s, c.Number == 191, false, c)
		}
	case 116:
		for h := range a.heaters {
			a.heat(Heater(h), a.heaters[h].target, true, false, c)
		}
	case 0, 1, 84, 226, 280, 400, 18:
		a.drain()
	case 200:
		if d, ok := c.Get('D'); ok {
			m.volumetric = d > 0
			if d > 0 {
				m.filamentMM2 = math.Pi / 4 * d * d
			}
		}
	case 207:
		set(c, 'S', &m.retractMM, 1)
		set(c, 'F', &m.retractMMs, 1./60)
		set(c, 'Z', &m.liftMM, 1)
	case 208:
		set(c, 'S', &m.recoverMM, 1)
		set(c, 'F', &m.recoverMMs, 1./60)
	case 220:
		set(c, 'S', &m.speed, 0.01)
	case 221:
		set(c, 'S', &m.flow, 0.01)
	case 201, 203, 204, 205, 92:
		a.setLimits(c)
	case 302:
		a.checkCold(c)
	default:
		a.judge(c)
		return
	}
}

func set(c *gcode.Command, letter byte, to *float64, scale float64) {
	if v, ok := c.Get(letter); ok && v >= 0 {
		*to = v * scale
	}
}

// heat sets a heater's target and, when the command waits, the time it takes.
func (a *analysis) heat(h Heater, to float64, waits, alsoCooling bool, c *gcode.Command) {
	x := &a.heaters[h]
	now := a.now()
	x.fromC = x.at(now, a.o.HeatS)
	x.target, x.sinceS = to, now
	a.checkHeat(h, to, c)
	if !waits {
		return
	}
	a.drain()
	now = a.now()
	at := x.at(now, a.o.HeatS)
	wait := 0.0
	switch {
	case to > at:
		wait = a.o.HeatS(h, at, to)
	case alsoCooling:
		wait = coolS(h, at, to)
	}
	if wait > 0 {
		a.heatS += wait
		x.fromC, x.sinceS = to, a.now()
	}
}

// setLimits is M201, M203, M204, M205 and M92: what the file sets wins from
// here on.
func (a *analysis) setLimits(c *gcode.Command) {
	l := &a.limits
	axes := func(to *[4]float64) {
		for i, letter := range [4]byte{'X', 'Y', 'Z', 'E'} {
			set(c, letter, &to[i], 1)
		}
	}
	switch c.Number {
	case 92:
		axes(&l.StepsPerMM)
	case 201:
		axes(&l.MaxAccelMMs2)
	case 203:
		axes(&l.MaxFeedMMs)
	case 204:
		if s, ok := c.Get('S'); ok && s > 0 { // the older form: both kinds of move
			l.AccelPrintMMs2, l.AccelTravelMMs2 = s, s
		}
		set(c, 'P', &l.AccelPrintMMs2, 1)
		set(c, 'R', &l.AccelRetractMMs2, 1)
		set(c, 'T', &l.AccelTravelMMs2, 1)
	case 205:
		if l.JunctionDeviationMM > 0 {
			set(c, 'J', &l.JunctionDeviationMM, 1)
		} else {
			axes(&l.JerkMMs)
		}
		set(c, 'S', &l.MinFeedMMs, 1)
		set(c, 'T', &l.MinTravelFeedMMs, 1)
		set(c, 'B', &l.MinSegmentMS, 0.001)
	}
	a.plan.SetLimits(*l)
}

// checkSendable tries the command as it would go over the wire.
func (a *analysis) checkSendable(c *gcode.Command) {
	var err error
	a.wire, err = gcode.AppendWire(a.wire[:0], c, &a.motionWord)
	var e *gcode.SyntaxError
	if errors.As(err, &e) {
		a.malformed(e)
	}
}
