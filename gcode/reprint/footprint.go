package reprint

import "math"

// Footprint is where one layer lays material, seen from above: row by row from
// the front, one byte a cell, 1 where there is material. At is its lower left
// corner in the file's coordinates, in mm.
type Footprint struct {
	CellMM        float64
	At            [2]float64
	Width, Height int
	Cells         []byte
}

const (
	footprintCellMM = 0.2
	footprintCells  = 1500 // along a side at most; larger layers get larger cells
	footprintRimMM  = 2    // around what the layers' boxes hold, for the lines' width
)

func newFootprint(minX, minY, maxX, maxY float64) Footprint {
	minX, minY, maxX, maxY = minX-footprintRimMM, minY-footprintRimMM, maxX+footprintRimMM, maxY+footprintRimMM
	cell := max(footprintCellMM, max(maxX-minX, maxY-minY)/footprintCells)
	f := Footprint{CellMM: cell, At: [2]float64{minX, minY}, Width: int((maxX-minX)/cell) + 1, Height: int((maxY-minY)/cell) + 1}
	f.Cells = make([]byte, f.Width*f.Height)
	return f
}

// line marks a line of some width. Its ends are half round.
func (f *Footprint) line(x0, y0, x1, y1, widthMM float64) {
	r := max(widthMM/2, f.CellMM/2) / f.CellMM
	ax, ay := (x0-f.At[0])/f.CellMM, (y0-f.At[1])/f.CellMM
	bx, by := (x1-f.At[0])/f.CellMM, (y1-f.At[1])/f.CellMM
	n := int(math.Hypot(bx-ax, by-ay)*2) + 1
	if n > 8*footprintCells {
		return // it lies far outside
	}
	for k := range n + 1 {
		t := float64(k) / float64(n)
		cx, cy := ax+(bx-ax)*t, ay+(by-ay)*t
		for j := max(0, int(cy-r)); j <= min(f.Height-1, int(cy+r)); j++ {
			for i := max(0, int(cx-r)); i <= min(f.Width-1, int(cx+r)); i++ {
				if dx, dy := float64(i)+0.5-cx, float64(j)+0.5-cy; dx*dx+dy*dy <= r*r {
					f.Cells[j*f.Width+i] = 1
				}
			}
		}
	}
}

// AreaMM2 is the area that is covered.
func (f *Footprint) AreaMM2() float64 {
	n := 0
	for _, c := range f.Cells {
		n += int(c)
	}
	return float64(n) * f.CellMM * f.CellMM
}

// Seam is how the first remaining layer lies on the last good one.
type Seam struct {
	FirstMM2   float64 `json:"first_mm2"`   // area of the first remaining layer
	ContactMM2 float64 `json:"contact_mm2"` // of it, over material of the last good layer
	// FilledShare is the part of the area within the first remaining layer's
	// outlines that its lines cover: low where it is walls around a sparse infill.
	FilledShare float64 `json:"filled_share"`
	Islands     int     `json:"islands"`   // pieces of it that touch one another nowhere
	LooseMM2    float64 `json:"loose_mm2"` // area of those that stand on none of the last good layer
}

// seam compares the two layers, which have the same cells.
func seam(below, first *Footprint) Seam {
	cell := first.CellMM * first.CellMM
	s := Seam{FirstMM2: first.AreaMM2()}
	contact := 0
	for i, c := range first.Cells {
		contact += int(c & below.Cells[i])
	}
	s.ContactMM2 = float64(contact) * cell
	outside := first.flood()
	enclosed := 0
	for _, o := range outside {
		if o == 0 {
			enclosed++
		}
	}
	if enclosed > 0 {
		s.FilledShare = s.FirstMM2 / (float64(enclosed) * cell)
	}
	for _, c := range first.islands(below) {
		s.Islands++
		if float64(c.contact) < 0.05*float64(c.cells) {
			s.LooseMM2 += float64(c.cells) * cell
		}
	}
	return s
}

// flood marks the cells that are reached from the rim without crossing material.
func (f *Footprint) flood() []byte {
	out := make([]byte, len(f.Cells))
	stack := []int{0}
	out[0] = 1
	for len(stack) > 0 {
		at := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		f.beside(at, func(k int) {
			if out[k] == 0 && f.Cells[k] == 0 {
				out[k] = 1
				stack = append(stack, k)
			}
		})
	}
	return out
}

type island struct{ cells, contact int }

// islands finds the connected pieces; what has fewer cells than a dot is none.
func (f *Footprint) islands(below *Footprint) []island {
	const dot = 8
	seen := make([]byte, len(f.Cells))
	var out []island
	var stack []int
	for start, c := range f.Cells {
		if c == 0 || seen[start] != 0 {
			continue
		}
		var is island
		stack = append(stack[:0], start)
		seen[start] = 1
		for len(stack) > 0 {
			at := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			is.cells++
			is.contact += int(below.Cells[at])
			f.beside(at, func(k int) {
				if f.Cells[k] == 1 && seen[k] == 0 {
					seen[k] = 1
					stack = append(stack, k)
				}
			})
		}
		if is.cells >= dot {
			out = append(out, is)
		}
	}
	return out
}

func (f *Footprint) beside(at int, do func(int)) {
	x := at % f.Width
	if x > 0 {
		do(at - 1)
	}
	if x < f.Width-1 {
		do(at + 1)
	}
	if at >= f.Width {
		do(at - f.Width)
	}
	if at < len(f.Cells)-f.Width {
		do(at + f.Width)
	}
}
