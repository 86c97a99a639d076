package analyze

import (
	"fmt"
	"math"
	"math/bits"

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
		a.checkSendable(c)
	case 'G':
		if c.Number <= 3 && c.Sub == 0 {
			m.motion = c.Number
			a.motionCommand(c, c.Number)
			a.checkSendable(c)
			return
		}
		a.g(c)
	case 'M':
		a.m(c)
	case 'T':
		a.t(c)
	default:
		if !a.seen.named {
			a.seen.named, a.namedFirst = true, c.Name()
		}
		a.unknown.add(c, a.lines.Number())
	}
	a.checkSendable(c)
}

type vector struct{ x, y, z float64 }

// motionCommand is G0 to G3.
func (a *analysis) motionCommand(c *gcode.Command, number int) {
	m := &a.mode
	if f, ok := c.Get('F'); ok && f > 0 {
		m.feed = f * m.unit / 60
	}
	tx, ty, tz := m.pos[0], m.pos[1], m.pos[2]
	from := vector{}
	if m.relative {
		from = vector{tx, ty, tz}
	}
	if c.Valued&gcode.Bit('X') != 0 {
		tx = from.x + c.Value['X'-'A']*m.unit
	}
	if c.Valued&gcode.Bit('Y') != 0 {
		ty = from.y + c.Value['Y'-'A']*m.unit
	}
	if c.Valued&gcode.Bit('Z') != 0 {
		tz = from.z + c.Value['Z'-'A']*m.unit
	}
	de := 0.0
	if e, ok := c.Get('E'); ok {
		e *= m.unit
		if m.takesRelativeE() {
			de = e
			m.e += e
			if e != 0 {
				a.seen.relativeE = true
				if m.eDoubt && !m.eByG91 {
					m.eDoubt = false
					a.find("e-mode", Warn, c.Column(), "E is relative (M83), but a G90 came after: some firmware takes E as absolute from there on; repeat M83 behind the G90")
				}
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
	if !(tx < farMM && tx > -farMM && ty < farMM && ty > -farMM && tz < farMM && tz > -farMM && de < farMM && de > -farMM) {
		a.outOfRange(c)
		return
	}
	if number >= 2 {
		if number == splineNumber {
			a.splineTo(c, [3]float64{tx, ty, tz}, de)
			return
		}
		a.arc(c, number == 2, [3]float64{tx, ty, tz}, de)
		return
	}
	a.move(tx, ty, tz, de, m.feed*m.speed)
}

// farMM is beyond any printer, and near enough for sums to stay exact.
const farMM = 1e6

func (a *analysis) outOfRange(c *gcode.Command) {
	a.find("out-of-range", Refuse, c.Column(), "a number in "+c.Name()+" is beyond anything a printer has")
}

// sane reports whether every number of a command is within what printers have,
// and notes a finding otherwise. farWord leaves room for limits and baud rates.
func (a *analysis) sane(c *gcode.Command) bool {
	const farWord = 1e8
	for i, v := range c.Value {
		if c.Valued&(1<<i) != 0 && !(v < farWord && v > -farWord) {
			a.outOfRange(c)
			return false
		}
	}
	return true
}

func (a *analysis) g(c *gcode.Command) {
	m := &a.mode
	if !a.sane(c) {
		return
	}
	switch {
	case c.Sub != 0:
		a.unknown.add(c, a.lines.Number())
	case c.Number == 4:
		a.dwell(c)
	case c.Number == 5:
		a.spline(c)
	case c.Number == 10 && c.Valued&(gcode.Bit('P')|gcode.Bit('L')|gcode.Bit('R')) == 0:
		a.firmwareRetract(true)
	case c.Number == 10:
		a.toolTemperature(c)
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
		a.clock.fixed(a.o.LevellingS)
	case c.Number == 90:
		m.relative, m.eByG91 = false, false
		m.eDoubt = m.relE
	case c.Number == 91:
		m.relative, m.eByG91 = true, true
		a.seen.relativeXYZ = true
	case c.Number == 92:
		a.setPosition(c)
	case knownG(c.Number):
	default:
		a.unknown.add(c, a.lines.Number())
	}
}

// knownG reports G commands that change nothing that is judged here: probing,
// levelling, cleaning and parking by the firmware, feed per minute.
func knownG(n int) bool {
	switch n {
	case 12, 26, 27, 30, 31, 32, 33, 34, 35, 42, 60, 61, 76, 80, 94, 425:
		return true
	}
	return false
}

// dwell is G4: P in milliseconds, S in seconds (RepRap).
func (a *analysis) dwell(c *gcode.Command) {
	s := 0.0
	if v, ok := c.Get('S'); ok {
		s = v
	} else if v, ok := c.Get('P'); ok {
		s = v / 1000
	}
	a.clock.dwell(max(0, s))
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
		a.draw(-m.retractMM, 0)
		a.clock.move(0, 0, 0, -m.retractMM, m.retractMMs, tagNone)
		if m.liftMM != 0 {
			a.clock.move(0, 0, m.liftMM, 0, a.limits.MaxFeedMMs[motion.Z], tagNone)
		}
		return
	}
	if m.liftMM != 0 {
		a.clock.move(0, 0, -m.liftMM, 0, a.limits.MaxFeedMMs[motion.Z], tagNone)
	}
	a.draw(m.retractMM+m.recoverMM, 0)
	a.clock.move(0, 0, 0, m.retractMM+m.recoverMM, m.recoverMMs, tagNone)
}

// toolTemperature is G10 with P and S: a tool's temperature, in some families.
func (a *analysis) toolTemperature(c *gcode.Command) {
	p, hasP := c.Get('P')
	s, hasS := c.Get('S')
	if !hasP || !hasS || p < 0 || p >= maxTools {
		return
	}
	a.tool(int(p)).targetC = s
	a.clock.target(firstNozzle+int(p), s)
	a.checkTool(c, int(p))
	a.checkHeat(HeatNozzle, s, c)
}

// home is G28. Homed axes stand at zero; the time is a constant of the printer,
// and a third of it an axis.
func (a *analysis) home(c *gcode.Command) {
	m := &a.mode
	all := c.Has&xyzBits == 0
	axes := 3
	if !all {
		axes = bits.OnesCount32(c.Has & xyzBits)
	}
	a.clock.fixed(a.o.HomingS * float64(axes) / 3)
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
	a.opening.reset = true
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
	n := c.Number
	if n < 0 || n >= 1000 {
		return // a pseudo-tool: the firmware's own business
	}
	if n >= maxTools {
		a.find("missing-tool", Refuse, c.Column(), c.Name()+" names a tool that no printer has")
		return
	}
	if n != a.mode.tool {
		a.clock.drain()
		a.seen.tools = true
	}
	a.tool(n)
	a.mode.tool = n
	a.checkTool(c, n)
}

// maxTools bounds the tools of one file.
const maxTools = 64

func (a *analysis) m(c *gcode.Command) {
	m := &a.mode
	if !a.sane(c) {
		return
	}
	if c.Sub != 0 {
		a.judge(c)
		return
	}
	switch c.Number {
	case 82:
		m.relE, m.eByG91, m.eDoubt = false, false, false
	case 83:
		m.relE, m.eDoubt = true, false
	case 104, 109, 140, 190, 141, 191:
		a.heat(c)
	case 116:
		for i := range a.tools {
			a.clock.wait(firstNozzle+i, true)
		}
		a.clock.wait(bedHeater, true)
		a.clock.wait(chamberHeater, true)
	case 0, 1, 226, 600, 601:
		a.clock.drain()
		if a.stopLine == 0 {
			a.stopLine = a.lines.Number()
		}
	case 18, 84, 280, 400:
		a.clock.drain()
	case 200:
		if d, ok := c.Get('D'); ok {
			m.volumetric = d > 0
			if d > 0 {
				a.seen.volumetric = true
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
	case 92, 201, 203, 204, 205:
		a.setLimits(c)
	default:
		a.judge(c)
	}
}

func set(c *gcode.Command, letter byte, to *float64, scale float64) {
	if v, ok := c.Get(letter); ok && v >= 0 {
		*to = v * scale
	}
}

// heat is M104 to M191: a target, and for the waiting forms the time it takes.
// R waits for cooling too.
func (a *analysis) heat(c *gcode.Command) {
	to, ok := c.Get('S')
	r, cools := c.Get('R')
	if cools {
		to, ok = r, true
	}
	if !ok {
		return
	}
	var h int
	kind := HeatNozzle
	switch c.Number {
	case 104, 109:
		n := a.mode.tool
		if t, ok := c.Get('T'); ok {
			if n = int(t); n < 0 || n >= maxTools {
				a.find("missing-tool", Refuse, c.Column(), fmt.Sprintf("T%g names a tool that no printer has", t))
				return
			}
			a.checkTool(c, n)
		}
		a.tool(n).targetC = to
		h = firstNozzle + n
	case 140, 190:
		a.bedC = to
		h, kind = bedHeater, HeatBed
	default:
		h, kind = chamberHeater, HeatChamber
	}
	a.clock.target(h, to)
	a.checkHeat(kind, to, c)
	if c.Number == 109 || c.Number == 190 || c.Number == 191 {
		a.clock.wait(h, cools)
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
	if c.Number == 201 || c.Number == 204 {
		for i, v := range c.Value {
			if c.Valued&(1<<i) != 0 && v > a.res.Peaks.AccelMMs2 {
				a.res.Peaks.AccelMMs2, a.res.Peaks.AccelLine = v, a.lines.Number()
			}
		}
	}
	a.clock.setLimits(l)
}

// quietBytes is the length up to which a line of plain words can always be sent.
const quietBytes = gcode.MaxSendBytes - 8

// checkSendable tries the command as it would go over the wire. Short commands
// of plain words need no trial, but for numbers that begin like that of M110.
func (a *analysis) checkSendable(c *gcode.Command) {
	if c.Text == nil && !c.Quoted && len(a.text) <= quietBytes && (c.Letter != 'M' || c.Number < 1000) {
		if c.Letter == 'G' && c.Number <= 3 {
			a.wireMotion = c.Number
		}
		return
	}
	if c.Is('M', 110) {
		return
	}
	var err error
	a.wire, err = gcode.AppendWire(a.wire[:0], c, &a.wireMotion)
	if err != nil {
		a.malformed(err)
	}
}
