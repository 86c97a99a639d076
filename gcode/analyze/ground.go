package analyze

// ground is a coarse map of how high material stands, to tell how thick a line
// is where it is laid: supports on their own levels, infill of every second
// layer and objects side by side all have thicknesses that the layer table does
// not show. Places further apart than the map is wide share a cell.
type ground struct {
	cells [groundCells * groundCells]groundCell
}

type groundCell struct{ top, under float32 }

const (
	groundCells  = 64
	groundCellMM = 5
	// groundFar makes cell numbers positive, so that cutting decimals off rounds down.
	groundFar = 1 << 20
)

// line lays material with its top at z from one place to another and returns how
// thick it is along most of the way; 0 when it lies under the top of what is there.
func (g *ground) line(x0, y0, x1, y1, z, lengthMM float64) float64 {
	if lengthMM < groundCellMM {
		return g.lay((x0+x1)/2, (y0+y1)/2, z)
	}
	n := min(int(lengthMM*(1./groundCellMM))+1, groundCells)
	dx, dy := (x1-x0)/float64(n), (y1-y0)/float64(n)
	// The thinnest stretch and how often it comes, and one of the others.
	thin, other, times := 0.0, 0.0, 0
	for k := range n {
		h := g.lay(x0+dx*(float64(k)+0.5), y0+dy*(float64(k)+0.5), z)
		switch {
		case times == 0 || h < thin-heightTol:
			other, thin, times = thin, h, 1
		case h <= thin+heightTol:
			times++
		default:
			other = h
		}
	}
	if 2*times >= n {
		return thin
	}
	return other
}

// lay puts material with its top at z into the cell at x, y and returns how
// thick it is there; 0 when it lies under the top of what is there.
func (g *ground) lay(x, y, z float64) float64 {
	i := uint(int(x*(1./groundCellMM)+groundFar)) % groundCells
	j := uint(int(y*(1./groundCellMM)+groundFar)) % groundCells
	c := &g.cells[j*groundCells+i]
	f := float32(z)
	switch {
	case f > c.top+heightTol:
		c.under, c.top = c.top, f
	case f < c.top-heightTol:
		return 0
	}
	return z - float64(c.under)
}
