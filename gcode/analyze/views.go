package analyze

import "math"

// Views are the three silhouettes of what is extruded, prime lines included: from
// the front (X across, Z up), from the right side (Y across, Z up) and from above
// (X across, Y up).
type Views struct{ Front, Side, Plan Raster }

// Raster is a picture in black and white: row by row from the lowest, one byte a
// cell, 1 where there is material. At is the place of its lower left corner.
type Raster struct {
	CellMM        float64
	At            [2]float64
	Width, Height int
	Cells         []byte
}

const (
	viewCellMM = 0.5
	viewCells  = 1024
	// viewLeftMM is how far left of and before the plate's origin a view reaches.
	viewLeftMM = -100
)

// viewer collects views over a fixed field, since a file's extents are known only
// at its end. What lies outside the field is left out.
type viewer struct{ front, side, plan field }

type field struct {
	at       [2]float64
	min, max [2]int
	bits     [viewCells * viewCells / 8]byte
}

func newViewer() *viewer {
	v := &viewer{}
	for _, f := range []*field{&v.front, &v.side, &v.plan} {
		f.at = [2]float64{viewLeftMM, viewLeftMM}
		f.min = [2]int{viewCells, viewCells}
		f.max = [2]int{-1, -1}
	}
	v.front.at[1], v.side.at[1] = 0, 0
	return v
}

func (v *viewer) line(x0, y0, z0, x1, y1, z1, thickMM float64) {
	v.front.line(x0, z0, x1, z1, thickMM)
	v.side.line(y0, z0, y1, z1, thickMM)
	v.plan.line(x0, y0, x1, y1, 0)
}

// line marks the cells from one place to another, and as many below them as the
// line is thick.
func (f *field) line(a0, b0, a1, b1, thickMM float64) {
	n := min(int(max(math.Abs(a1-a0), math.Abs(b1-b0))/viewCellMM)+1, viewCells)
	down := int(thickMM / viewCellMM)
	for k := 0; k <= n; k++ {
		t := float64(k) / float64(n)
		i := int(math.Floor((a0 + (a1-a0)*t - f.at[0]) / viewCellMM))
		j := int(math.Floor((b0 + (b1-b0)*t - f.at[1] - 1e-6) / viewCellMM))
		for d := 0; d <= down; d++ {
			f.mark(i, j-d)
		}
	}
}

func (f *field) mark(i, j int) {
	if i < 0 || j < 0 || i >= viewCells || j >= viewCells {
		return
	}
	f.min[0], f.max[0] = min(f.min[0], i), max(f.max[0], i)
	f.min[1], f.max[1] = min(f.min[1], j), max(f.max[1], j)
	f.bits[(j*viewCells+i)/8] |= 1 << (i % 8)
}

// raster cuts out what was marked.
func (f *field) raster() Raster {
	if f.max[0] < 0 {
		return Raster{CellMM: viewCellMM}
	}
	r := Raster{CellMM: viewCellMM, Width: f.max[0] - f.min[0] + 1, Height: f.max[1] - f.min[1] + 1}
	for k := range 2 {
		r.At[k] = f.at[k] + float64(f.min[k])*viewCellMM
	}
	r.Cells = make([]byte, r.Width*r.Height)
	for j := range r.Height {
		for i := range r.Width {
			x, y := f.min[0]+i, f.min[1]+j
			r.Cells[j*r.Width+i] = f.bits[(y*viewCells+x)/8] >> (x % 8) & 1
		}
	}
	return r
}

func (v *viewer) views() *Views {
	return &Views{Front: v.front.raster(), Side: v.side.raster(), Plan: v.plan.raster()}
}
