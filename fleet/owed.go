package fleet

import (
	"math"
	"slices"
	"strconv"

	"undercroft/gcode"
)

// heat is a set of targets, °C by heater ("T0", "B", "C").
type heat map[string][]float64

// mostTargets of one heater are kept.
const mostTargets = 64

func (h heat) add(heater string, c float64) {
	if c > 0 && len(h[heater]) < mostTargets && !slices.Contains(h[heater], c) {
		h[heater] = append(h[heater], c)
	}
}

func (h heat) addAll(other map[string][]float64) {
	for name, cs := range other {
		for _, c := range cs {
			h.add(name, c)
		}
	}
}

// Target reads a command that gives a heater a target; celsius is 0 for any
// other, and for one that turns a heater off. tool is the tool in use, which a
// T command changes.
func Target(c *gcode.Command, tool *int) (heater string, celsius float64) {
	celsius, ok := c.Get('S')
	if !ok {
		celsius, _ = c.Get('R')
	}
	switch {
	case c.Letter == 'T':
		*tool = c.Number
		return "", 0
	case c.Is('M', 104), c.Is('M', 109):
		n := *tool
		if t, given := c.Get('T'); given {
			n = int(t)
		}
		return "T" + strconv.Itoa(n), celsius
	case c.Is('M', 140), c.Is('M', 190):
		return "B", celsius
	case c.Is('M', 141), c.Is('M', 191):
		return "C", celsius
	}
	return "", 0
}

// gives notes the target that a command of the file gives, before it is sent: a
// cable that goes in the next second must not make it a stranger's.
func (s *source) gives(text []byte) {
	if len(text) < 2 || text[0] != 'T' && (text[0] != 'M' || text[1] != '1') {
		return
	}
	s.parser.Reset(text)
	if more, err := s.parser.Next(); !more || err != nil {
		return
	}
	heater, c := Target(&s.parser.Command, &s.tool)
	s.given.add(heater, c)
}

// holdsAt notes the target that a held run keeps a heater at.
func (s *source) holdsAt(heater string, c float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.given.add(heater, c)
}

// gave are the targets that were given so far.
func (s *source) gave() heat {
	s.mu.Lock()
	defer s.mu.Unlock()
	g := heat{}
	g.addAll(s.given)
	return g
}

// owedNow are the targets that the machine may have from us: those that it
// reports, and those that this run, or the last one, has sent. They are turned
// off later.
func (l *loop) owedNow() map[string][]float64 {
	owed := heat{}
	owed.addAll(l.gave)
	if l.run != nil {
		owed.addAll(l.run.src.gave())
	}
	for name, c := range l.targets() {
		owed.add(name, c)
	}
	return owed
}

// owe remembers what is to be turned off when the machine is reached again, also
// for a daemon that comes after this one.
func (l *loop) owe(owed map[string][]float64) {
	if len(owed) == 0 && len(l.owed) == 0 {
		return
	}
	l.owed = owed
	l.keepOwed()
}

func (l *loop) keepOwed() {
	if l.f.o.Debts == nil {
		return
	}
	// Beside the loop: a disk that stalls must not stall it. The newest counts.
	select {
	case <-l.debt:
	default:
	}
	l.debt <- l.owed
}

// keepDebts stores what is owed until the loop is over.
func (l *loop) keepDebts() {
	for owed := range l.debt {
		l.safely(func() { l.f.o.Debts.KeepOwed(l.spec.Name, owed) })
	}
}

// areOwed says whether every heater that is on has a target that our own run
// gave it.
func (l *loop) areOwed(hot map[string]float64) bool {
	for name, c := range hot {
		if !slices.ContainsFunc(l.owed[name], func(o float64) bool { return math.Abs(o-c) <= 0.5 }) {
			return false
		}
	}
	return true
}
