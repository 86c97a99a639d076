package reprint

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"undercroft/gcode"
	"undercroft/gcode/analyze"
)

// survey is what is learnt of a file up to the end of its first remaining layer.
type survey struct {
	// startEnd is the offset behind the last line of the start sequence: the last
	// that homes, levels, waits for heat or primes before the first layer. What
	// stands behind it and before the first layer only goes there.
	startEnd int64
	// primeFrom is the offset of the first line that lays material in the start
	// sequence, and bareEnd the offset behind the last line before it that homes,
	// levels or waits.
	primeFrom, bareEnd int64
	prime              analyze.Box // in machine coordinates; Empty where none is laid

	pullMM, pullFeed float64 // the longest retraction seen, and its feed in mm/min
	byFirmware       bool    // G10 was seen

	below, first Footprint
	hull         hull
	bead         float64 // width of most lines of the first remaining layer, mm
	unknown      []string
	changes      []int64 // lines at which the filament was changed by hand
	tools        int
}

// reader goes through a file command by command and keeps the machine.
type reader struct {
	lines  *gcode.Lines
	parser gcode.Parser
	m      *machine
}

func newReader(r io.Reader) *reader {
	return &reader{lines: gcode.NewLines(r), m: newMachine()}
}

// look reads the file up to the end of layer first of the table.
func look(r io.Reader, layers []analyze.Layer, first int, filamentMM2 float64) (*survey, error) {
	s := &survey{primeFrom: -1, prime: analyze.EmptyBox()}
	box := layers[first].Box
	minX, minY, maxX, maxY := box.Min[0], box.Min[1], box.Max[0], box.Max[1]
	if first > 0 {
		b := layers[first-1].Box
		minX, minY, maxX, maxY = min(minX, b.Min[0]), min(minY, b.Min[1]), max(maxX, b.Max[0]), max(maxY, b.Max[1])
	}
	s.below = newFootprint(minX, minY, maxX, maxY)
	s.first = newFootprint(minX, minY, maxX, maxY)
	rd := newReader(r)
	m := rd.m
	var volume, length float64
	layer := 0
	motion := func(c *gcode.Command) {
		at := rd.lines.Offset()
		owed := m.owed()
		st, _ := m.apply(c)
		if st.de < 0 && m.owed() > s.pullMM && m.owed() <= maxPullMM && m.owed() > owed {
			s.pullMM, s.pullFeed = m.owed(), m.feed
		}
		if at < layers[0].Offset {
			if st.drawn > 0 {
				if s.primeFrom < 0 {
					s.primeFrom = at
				}
				s.startEnd = rd.lines.EndOffset()
				if st.from[0] != st.to[0] || st.from[1] != st.to[1] {
					s.prime = joinPoint(s.prime, st.from, m.shift)
					s.prime = joinPoint(s.prime, st.to, m.shift)
				}
			}
			return
		}
		for layer < first && at >= layers[layer+1].Offset {
			layer++
		}
		if layer < first-1 || st.drawn <= 0 {
			return
		}
		xy := math.Hypot(st.to[0]-st.from[0], st.to[1]-st.from[1])
		if xy == 0 {
			return
		}
		pts := path(c, m, st)
		l := 0.0
		for i := 1; i < len(pts); i++ {
			l += math.Hypot(pts[i][0]-pts[i-1][0], pts[i][1]-pts[i-1][1])
		}
		v := st.drawn * filamentMM2
		width := min(2, max(0.1, analyze.BeadWidthMM(v/max(l, 1e-9), max(layers[layer].ThicknessMM, 0.05))))
		to := &s.below
		if layer == first {
			to = &s.first
			volume += v
			length += l
		}
		for i := 1; i < len(pts); i++ {
			a, b := pts[i-1], pts[i]
			to.line(a[0]+m.shift[0], a[1]+m.shift[1], b[0]+m.shift[0], b[1]+m.shift[1], width)
			if layer == first {
				s.hull.add(a[0]+m.shift[0], a[1]+m.shift[1])
				s.hull.add(b[0]+m.shift[0], b[1]+m.shift[1])
			}
		}
	}
	other := func(c *gcode.Command) {
		if m.isMove(c) {
			motion(c)
			return
		}
		_, known := m.apply(c)
		at := rd.lines.Offset()
		if at < layers[0].Offset && startsMachine(c) {
			s.startEnd = rd.lines.EndOffset()
			if s.primeFrom < 0 {
				s.bareEnd = s.startEnd
			}
		}
		s.byFirmware = s.byFirmware || m.pulled
		if at < layers[first].Offset {
			switch {
			case c.Is('M', 600):
				s.changes = append(s.changes, rd.lines.Number())
			case !known && at >= layers[0].Offset && len(s.unknown) < maxUnknown && !slices.Contains(s.unknown, c.Name()):
				s.unknown = append(s.unknown, c.Name())
			}
		}
	}
	end := layers[first].EndOffset
	err := rd.each(end, motion, other)
	if length > 0 {
		s.bead = min(2, max(0.1, analyze.BeadWidthMM(volume/length, max(layers[first].ThicknessMM, 0.05))))
	}
	s.tools = len(m.tools)
	return s, err
}

const (
	maxPullMM  = 12 // longer ones are unloading
	maxUnknown = 16
)

func joinPoint(b analyze.Box, p, shift [3]float64) analyze.Box {
	b.Empty = false
	for i := range 3 {
		b.Min[i], b.Max[i] = min(b.Min[i], p[i]+shift[i]), max(b.Max[i], p[i]+shift[i])
	}
	return b
}

// startsMachine reports the commands that a start sequence is there for: homing,
// levelling, waiting for heat, dwelling, and whatever is not known here.
func startsMachine(c *gcode.Command) bool {
	switch c.Letter {
	case 'G':
		switch c.Number {
		case 4, 12, 26, 28, 29, 30, 32, 33, 34, 35, 76, 80:
			return true
		}
	case 'M':
		switch c.Number {
		case 0, 1, 109, 116, 190, 191, 226, 420, 600, 701:
			return true
		}
	case '_':
		return true
	}
	return false
}

// each reads on to the offset and hands out the commands: plain motion lines to
// the first function, all others to the second.
func (rd *reader) each(end int64, motion, other func(*gcode.Command)) error {
	for {
		if _, ok := rd.lines.NextMotion(&rd.parser); ok {
			if rd.lines.Offset() >= end {
				return nil
			}
			motion(&rd.parser.Command)
			continue
		}
		raw, err := rd.lines.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if rd.lines.Offset() >= end {
			return nil
		}
		rd.parser.Reset(raw)
		for {
			more, err := rd.parser.Next()
			if err != nil {
				return rd.at(err)
			}
			if !more {
				break
			}
			other(&rd.parser.Command)
		}
	}
}

// at gives an error of the parser its line.
func (rd *reader) at(err error) error {
	var e *gcode.SyntaxError
	if errors.As(err, &e) {
		e.Line = rd.lines.Number()
	}
	return fmt.Errorf("%w: %w", ErrFile, err)
}

// path is the way of a move seen from above: its two ends, or points along an
// arc in the plane of X and Y.
func path(c *gcode.Command, m *machine, s step) []point {
	a, b := point{s.from[0], s.from[1]}, point{s.to[0], s.to[1]}
	if m.plane != 17 || m.motion < 2 || c.Letter == 'G' && c.Number < 2 {
		return []point{a, b}
	}
	cx, cy, ok := centre(c, m.unit, a, b, m.motion == 2)
	if !ok {
		return []point{a, b}
	}
	r := math.Hypot(a[0]-cx, a[1]-cy)
	from := math.Atan2(a[1]-cy, a[0]-cx)
	sweep := math.Atan2(b[1]-cy, b[0]-cx) - from
	if m.motion == 2 && sweep >= -1e-9 {
		sweep -= 2 * math.Pi
	}
	if m.motion == 3 && sweep <= 1e-9 {
		sweep += 2 * math.Pi
	}
	n := min(256, int(math.Abs(sweep)*max(r, 1)*2)+2)
	pts := make([]point, n+1)
	for i := range pts {
		sin, cos := math.Sincos(from + sweep*float64(i)/float64(n))
		pts[i] = point{cx + r*cos, cy + r*sin}
	}
	pts[0], pts[n] = a, b
	return pts
}

// centre finds an arc's centre, by I and J from the start or by R.
func centre(c *gcode.Command, unit float64, a, b point, clockwise bool) (x, y float64, ok bool) {
	if r, by := c.Get('R'); by {
		r *= unit
		dx, dy := b[0]-a[0], b[1]-a[1]
		d := math.Hypot(dx, dy)
		if d == 0 {
			return 0, 0, false
		}
		h := math.Sqrt(max(0, r*r-d*d/4))
		if clockwise != (r < 0) {
			h = -h
		}
		return (a[0]+b[0])/2 - h*dy/d, (a[1]+b[1])/2 + h*dx/d, true
	}
	i, _ := valueOf(c, 'I')
	j, _ := valueOf(c, 'J')
	return a[0] + i*unit, a[1] + j*unit, i != 0 || j != 0
}

// claimsWhole reports a comment that says of the whole print what does not hold
// for the remainder: its time, how much filament it takes, how many layers.
func claimsWhole(comment []byte) bool {
	if len(comment) > 400 {
		return false
	}
	c := bytes.ToLower(comment)
	if !bytes.ContainsAny(c, "0123456789") {
		return false
	}
	return bytes.Contains(c, []byte("time")) ||
		bytes.Contains(c, []byte("filament")) && (bytes.Contains(c, []byte("used")) || bytes.Contains(c, []byte("length")) || bytes.Contains(c, []byte("usage")))
}
