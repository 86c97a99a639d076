package analyze

// ground is a coarse map of how high material stands, to tell how thick a line
// is where it is laid: supports on their own levels, infill of every second
// layer and objects side by side all have thicknesses that the layer table does
// not show. Cells further apart than the map is wide share a place.
type ground struct {
	cells [groundCells * groundCells]groundCell
}

type groundCell struct{ top, under float32 }

const (
	groundCells  = 128
	groundCellMM = 4
	// groundFar makes cell numbers positive, so that cutting decimals off rounds down.
	groundFar = 1 << 20
)

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
