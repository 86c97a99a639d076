package reprint

import (
	"math"
	"slices"

	"undercroft/gcode"
)

// machine is what a firmware remembers from one command to the next, as far as a
// file can set it. Lengths are millimetres.
type machine struct {
	unit     float64 // millimetres in a unit: 1 or 25.4
	relative bool    // G91
	relE     bool    // M83
	eByG91   bool    // G91 has made E relative until G90
	plane    int     // 17, 18, 19
	motion   int     // of lines without a command; -1 before any
	feed     float64 // mm/min; 0 before any
	pos      [3]float64
	shift    [3]float64 // the machine's coordinates less the file's
	homed    [3]bool
	e        float64 // the E of absolute extrusion
	tool     int
	tools    []tool
	pulled   bool // by G10, not given back by G11
	bedC     float64
	chamberC float64
	offsets  int // G54 to G59 in force, 0 before any
	set      registers
}

// tool is one tool: how much of its filament is pulled back, and its target.
type tool struct {
	owed      float64 // mm of E drawn back and not given yet
	refilling float64 // mm moved while some was owed
	targetC   float64
}

// maxTools bounds the tools of one file.
const maxTools = 64

func newMachine() *machine {
	return &machine{unit: 1, plane: 17, motion: -1, tools: make([]tool, 1)}
}

func (m *machine) clone() *machine {
	c := *m
	c.tools = slices.Clone(m.tools)
	c.set = slices.Clone(m.set)
	return &c
}

func (m *machine) relativeE() bool { return m.relE || m.eByG91 }

func (m *machine) owed() float64 { return m.tools[m.tool].owed }

func (m *machine) needTool(n int) *tool {
	for len(m.tools) <= n {
		m.tools = append(m.tools, tool{})
	}
	return &m.tools[n]
}

// step is what one command moved.
type step struct {
	moves    bool
	from, to [3]float64 // in the file's coordinates
	de       float64    // E in mm as written, flow apart
	drawn    float64    // of it, beyond what was drawn before: what lays material
}

// refillMM: a retraction that is not given back within this length of laid lines
// was none (the same as in package analyze).
const refillMM = 30

// move is G0 to G3 and G5: it goes to the end of the move.
func (m *machine) move(c *gcode.Command) step {
	if f, ok := c.Get('F'); ok && f > 0 {
		m.feed = f * m.unit
	}
	s := step{moves: true, from: m.pos, to: m.pos}
	for i := range 3 {
		if v, ok := c.Get(byte('X' + i)); ok {
			v *= m.unit
			if m.relative {
				v += m.pos[i]
			}
			s.to[i] = v
		}
	}
	m.pos = s.to
	if e, ok := c.Get('E'); ok {
		e *= m.unit
		if m.relativeE() {
			s.de = e
			m.e += e
		} else {
			s.de = e - m.e
			m.e = e
		}
		s.drawn = m.draw(s.de, math.Hypot(s.to[0]-s.from[0], s.to[1]-s.from[1]))
	}
	return s
}

func (m *machine) draw(de, xy float64) float64 {
	t := &m.tools[m.tool]
	t.owed -= de
	if t.owed >= 0 {
		if de > 0 && xy > 0 {
			if t.refilling += xy; t.refilling > refillMM {
				t.owed, t.refilling = 0, 0
			}
		}
		return 0
	}
	drawn := -t.owed
	t.owed, t.refilling = 0, 0
	return drawn
}

// isMove reports the commands that move to a place.
func (m *machine) isMove(c *gcode.Command) bool {
	return c.Letter == 0 || c.Letter == 'G' && c.Number <= 3 && c.Sub == 0
}

// apply carries a command out. known is false where nothing here knows what it
// does.
func (m *machine) apply(c *gcode.Command) (s step, known bool) {
	switch c.Letter {
	case 0:
		return m.move(c), true
	case 'T':
		if c.Number >= 0 && c.Number < maxTools {
			m.needTool(c.Number)
			m.tool = c.Number
		}
		return s, true
	case 'G':
		if c.Number <= 3 && c.Sub == 0 {
			m.motion = c.Number
			return m.move(c), true
		}
		return s, m.g(c)
	case 'M':
		return s, m.m(c)
	}
	return s, false
}

func (m *machine) g(c *gcode.Command) bool {
	if c.Sub != 0 {
		return false
	}
	switch n := c.Number; {
	case n == 4, n == 12, n == 26, n == 27, n == 29, n == 30, n == 31, n == 32, n == 34, n == 42, n == 80, n == 94:
	case n == 10 && c.Valued&(gcode.Bit('P')|gcode.Bit('L')|gcode.Bit('R')) == 0:
		m.pulled = true
	case n == 10:
		p, hasP := c.Get('P')
		if s, ok := c.Get('S'); ok && hasP && p >= 0 && p < maxTools {
			m.needTool(int(p)).targetC = s
			return true
		}
		return m.set.set(c)
	case n == 11:
		m.pulled = false
	case n >= 17 && n <= 19:
		m.plane = n
	case n == 20:
		m.unit = 25.4
	case n == 21:
		m.unit = 1
	case n == 28:
		all := !c.Given('X') && !c.Given('Y') && !c.Given('Z')
		for i := range 3 {
			if all || c.Given(byte('X'+i)) {
				m.pos[i], m.shift[i], m.homed[i] = 0, 0, true
			}
		}
	case n >= 54 && n <= 59:
		m.offsets = n
	case n == 90:
		m.relative, m.eByG91 = false, false
	case n == 91:
		m.relative, m.eByG91 = true, true
	case n == 92:
		m.setPosition(c)
	default:
		return false
	}
	return true
}

// setPosition is G92: once an axis is homed, the machine's own coordinate stays.
func (m *machine) setPosition(c *gcode.Command) {
	if c.Has == 0 || c.Given('E') {
		v, _ := valueOf(c, 'E')
		m.e = v * m.unit
	}
	for i := range 3 {
		v, ok := c.Get(byte('X' + i))
		if !ok && c.Has != 0 {
			continue
		}
		v *= m.unit
		if m.homed[i] {
			m.shift[i] += m.pos[i] - v
		}
		m.pos[i] = v
	}
}

func (m *machine) m(c *gcode.Command) bool {
	if c.Sub != 0 {
		return false
	}
	switch c.Number {
	case 82:
		m.relE, m.eByG91 = false, false
	case 83:
		m.relE = true
	case 104, 109, 140, 190, 141, 191:
		to, ok := c.Get('S')
		if r, cools := c.Get('R'); cools {
			to, ok = r, true
		}
		if !ok {
			return true
		}
		switch c.Number {
		case 104, 109:
			n := m.tool
			if t, ok := c.Get('T'); ok && t >= 0 && t < maxTools {
				n = int(t)
			}
			m.needTool(n).targetC = to
		case 140, 190:
			m.bedC = to
		default:
			m.chamberC = to
		}
	default:
		return m.set.set(c) || isEvent(c.Number)
	}
	return true
}
