package reprint

import (
	"math"
	"strconv"
	"strings"
)

// plain is a reader of its own for the tests, that shares nothing with the
// package: well-formed lines of one command each.
type plain struct {
	unit       float64
	rel, relE  bool
	pos, shift [3]float64 // pos: the machine's own place, mm
	e, owed    float64
	feed       float64
	tool       string
	plane      string
	pulled     bool
	words      map[string]float64 // "M204 P" -> 800
	temps      map[string]float64
	lays       []lay
	total      float64 // of E pushed beyond what was drawn back
	trail      []lay   // every move, the laying ones too
	states     []string
	homed      [3]bool
	homedZ     int
	unread     []string
}

type lay struct {
	from, to [3]float64
	de       float64
	feed     float64
	arc      string
	line     int
}

func readPlain(text string) *plain {
	p := &plain{unit: 1, words: map[string]float64{}, temps: map[string]float64{}, plane: "G17", tool: "T0"}
	for i, line := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == '\r' }) {
		p.line(line, i+1)
	}
	return p
}

func (p *plain) line(line string, n int) {
	if i := strings.IndexByte(line, ';'); i >= 0 {
		line = line[:i]
	}
	f := strings.Fields(strings.ToUpper(line))
	if len(f) == 0 {
		return
	}
	w := map[byte]float64{}
	for _, x := range f[1:] {
		v, err := strconv.ParseFloat(x[1:], 64)
		if err != nil && len(x) > 1 {
			p.unread = append(p.unread, line)
			return
		}
		w[x[0]] = v
	}
	switch f[0] {
	case "G0", "G1", "G2", "G3":
		if v, ok := w['F']; ok {
			p.feed = v * p.unit
		}
		m := lay{from: p.pos, to: p.pos, feed: p.feed, line: n}
		for i, l := range []byte("XYZ") {
			if v, ok := w[l]; ok {
				if p.rel {
					m.to[i] += v * p.unit
				} else {
					m.to[i] = v*p.unit + p.shift[i]
				}
			}
		}
		if v, ok := w['E']; ok {
			if p.relE {
				m.de = v * p.unit
			} else {
				m.de = v*p.unit - p.e
			}
			p.e += m.de
		}
		if f[0] == "G2" || f[0] == "G3" {
			m.arc = f[0] + strconv.FormatFloat(w['I']*p.unit, 'f', 3, 64) + " " + strconv.FormatFloat(w['J']*p.unit, 'f', 3, 64)
		}
		p.pos = m.to
		p.trail = append(p.trail, m)
		p.owed -= m.de
		if p.owed < -1e-7 {
			p.total -= p.owed
			if m.from[0] != m.to[0] || m.from[1] != m.to[1] {
				m.de = -p.owed
				p.lays = append(p.lays, m)
				p.owed = 0
				p.states = append(p.states, p.state())
			}
			p.owed = 0
		}
		p.owed = max(p.owed, 0)
	case "G20":
		p.unit = 25.4
	case "G21":
		p.unit = 1
	case "G90":
		p.rel = false
	case "G91":
		p.rel = true
	case "M82":
		p.relE = false
	case "M83":
		p.relE = true
	case "G28":
		_, x := w['X']
		_, y := w['Y']
		_, z := w['Z']
		all := !x && !y && !z
		for i, on := range []bool{x || all, y || all, z || all} {
			if on {
				p.pos[i], p.shift[i], p.homed[i] = 0, 0, true
			}
		}
		if z || all {
			p.homedZ++
		}
	case "G92":
		for i, l := range []byte("XYZ") {
			switch v, ok := w[l]; {
			case ok && !p.homed[i]: // the file's word is all there is
				p.pos[i], p.shift[i] = v*p.unit, 0
			case ok:
				p.shift[i] = p.pos[i] - v*p.unit
			}
		}
		if v, ok := w['E']; ok {
			p.e = v * p.unit
		}
	case "G10":
		p.pulled = true
	case "G11":
		p.pulled = false
	case "G17", "G18", "G19":
		p.plane = f[0]
	case "M104", "M109":
		p.temps["nozzle"] = w['S']
	case "M140", "M190":
		p.temps["bed"] = w['S']
	case "M107":
		p.words["M106 S"] = 0
	case "T0", "T1":
		p.tool = f[0]
	default:
		for l, v := range w {
			if v != 100 || f[0] != "M220" && f[0] != "M221" {
				p.words[f[0]+" "+string(l)] = v
			} else {
				delete(p.words, f[0]+" "+string(l))
			}
		}
	}
}

// state is everything that is in force, in words: what the remainder must restore.
func (p *plain) state() string {
	var b strings.Builder
	mode := func(name string, on bool) {
		if on {
			b.WriteString(name + " ")
		}
	}
	mode("inch", p.unit != 1)
	mode("relative", p.rel)
	mode("relE", p.relE)
	mode("pulled", p.pulled)
	b.WriteString(p.tool + p.plane)
	num := func(name string, v float64) {
		b.WriteString(" " + name + "=" + strconv.FormatFloat(math.Round(v*1e3)/1e3+0, 'f', 3, 64))
	}
	num("e", p.e)
	num("owed", p.owed)
	num("feed", math.Round(p.feed*100)/100)
	num("shiftx", p.shift[0])
	num("shifty", p.shift[1])
	for _, k := range sortedKeys(p.words) {
		if v := p.words[k]; v != 0 || k != "M106 S" {
			num(k, v)
		}
	}
	for _, k := range sortedKeys(p.temps) {
		num(k, p.temps[k])
	}
	return b.String()
}

// sameState compares two states, numbers to 0.005.
func sameState(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		if x[i] == y[i] {
			continue
		}
		k, v, _ := strings.Cut(x[i], "=")
		l, u, _ := strings.Cut(y[i], "=")
		f, err1 := strconv.ParseFloat(v, 64)
		g, err2 := strconv.ParseFloat(u, 64)
		if k != l || err1 != nil || err2 != nil || math.Abs(f-g) > 0.005 {
			return false
		}
	}
	return true
}
