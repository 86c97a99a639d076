package analyze

import (
	"errors"
	"fmt"
	"io"
	"math"

	"undercroft/gcode"
	"undercroft/gcode/motion"
)

// State is what a layer's first line builds on: with it, a layer can be read
// without what stands before it.
type State struct {
	// Pos is where the nozzle stands, in the file's coordinates in mm, and Shift
	// what the machine's coordinates are beyond those.
	Pos, Shift [3]float64
	// E is the file's E such that the first line draws filament.
	E     float64
	Known bool // false: this layer comes from a table that did not keep states

	Inches, Relative, RelativeE, EByG91, Volumetric bool

	Plane, Motion, Tool int
}

// state is that before the current line, which begins a layer at a place.
func (a *analysis) state(x0, y0, z0, drawn float64) State {
	m := &a.mode
	s := State{
		Pos: [3]float64{x0 - m.shift[0], y0 - m.shift[1], z0}, Shift: m.shift, E: m.e - drawn, Known: true,
		Inches: m.unit != 1, Relative: m.relative, RelativeE: m.relE, EByG91: m.eByG91, Volumetric: m.volumetric,
		Plane: m.plane, Motion: m.motion, Tool: m.tool,
	}
	if a.arcing {
		s.Pos = a.arcFrom
	}
	return s
}

func (m *modes) restore(s *State) {
	m.pos, m.shift, m.e = s.Pos, s.Shift, s.E
	if s.Inches {
		m.unit = 25.4
	}
	m.relative, m.relE, m.eByG91, m.volumetric = s.Relative, s.RelativeE, s.EByG91, s.Volumetric
	m.plane, m.motion, m.tool = s.Plane, s.Motion, s.Tool
	m.known, m.homed = [3]bool{true, true, true}, [3]bool{true, true, true}
}

const (
	// planCells is the longest side of a plan view.
	planCells = 400
	// planLeastCellMM is a cell of a small layer.
	planLeastCellMM = 0.1
	// planMaxBytes bounds what is read of one layer.
	planMaxBytes = 64 << 20
)

// ErrNoState says that a layer's table was made without what Plan needs; the file
// must be analysed again.
var ErrNoState = errors.New("this layer table does not hold the state at each layer's start; read the file again")

// Plan draws one layer of a file from above: X across, Y up, 1 where material is
// laid, in the machine's coordinates. It reads only the layer's bytes, of at most
// 64 MiB, and takes the layer from the table that Read made of the same file.
func Plan(file io.ReaderAt, l *Layer) (Raster, error) {
	switch {
	case !l.Start.Known:
		return Raster{}, ErrNoState
	case l.Box.Empty:
		return Raster{}, nil
	case l.Offset < 0 || l.EndOffset < l.Offset:
		return Raster{}, fmt.Errorf("a layer from byte %d to byte %d is none", l.Offset, l.EndOffset)
	case l.EndOffset-l.Offset > planMaxBytes:
		return Raster{}, fmt.Errorf("the layer is %d MB of G-code; more than %d are not drawn", (l.EndOffset-l.Offset)>>20, planMaxBytes>>20)
	}
	size := l.Box.Size()
	r := Raster{CellMM: max(planLeastCellMM, max(size[0], size[1])/planCells), At: [2]float64{l.Box.Min[0], l.Box.Min[1]}}
	if !(r.CellMM < farMM) {
		return Raster{}, errors.New("the layer's extents are none")
	}
	r.Width, r.Height = int(size[0]/r.CellMM)+1, int(size[1]/r.CellMM)+1
	r.Cells = make([]byte, r.Width*r.Height)

	a := newAnalysis(Options{Limits: motion.Default()})
	a.mode.restore(&l.Start)
	a.tool(min(max(l.Start.Tool, 0), maxTools-1))
	a.opening.state = merged
	a.onLine = func(x0, y0, _, x1, y1, _, _ float64) { r.line(x0, y0, x1, y1) }
	a.lines = gcode.NewLines(io.NewSectionReader(file, l.Offset, l.EndOffset-l.Offset))
	for {
		line, err := a.lines.Next()
		if errors.Is(err, io.EOF) {
			return r, nil
		}
		if err != nil {
			return Raster{}, fmt.Errorf("cannot read the layer: %w", err)
		}
		a.line(line)
	}
}

// line marks the cells from one place to another.
func (r *Raster) line(x0, y0, x1, y1 float64) {
	n := int(min(2*max(math.Abs(x1-x0), math.Abs(y1-y0))/r.CellMM, 4*planCells)) + 1
	for k := 0; k <= n; k++ {
		t := float64(k) / float64(n)
		i := int(math.Floor((x0 + (x1-x0)*t - r.At[0]) / r.CellMM))
		j := int(math.Floor((y0 + (y1-y0)*t - r.At[1]) / r.CellMM))
		if i >= 0 && j >= 0 && i < r.Width && j < r.Height {
			r.Cells[j*r.Width+i] = 1
		}
	}
}
