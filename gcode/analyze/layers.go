package analyze

// Layers come from where material is laid, never from comments:
//
//   - a move lays material when it moves in X or Y and draws filament beyond
//     what was drawn before (a retraction's return lays nothing);
//   - at the height of the current layer it belongs to that layer, above it it
//     begins the next, so hops in travel and levels of supports need no rule;
//   - below it, down to the height of the first layer, it begins the next object
//     of a sequential print; anything between belongs to the current layer;
//   - a move that rises while it lays material (spiral, ramped seam, non-planar)
//     stretches the current layer up to one layer thickness, then begins the next;
//   - a few lines at the very start, in a narrow strip that the rest of the print
//     stays away from, prime the nozzle and are no layer (opening.go).

// heightTol is how far two heights may differ and count as one, in mm: less than
// any layer is thick, more than decimals round.
const heightTol = 0.004

// MaxLayers bounds the layer table: 2 m of 0.05 mm layers. Behind it the last
// layer takes what comes.
const MaxLayers = 40000

// bandMM is the height of one band of a rising print that shows no layers.
const bandMM = 0.2

type layers struct {
	table   []Layer
	base    float64 // top of the layer below, within the same object
	band    float64 // thickness of the last layer that lay flat
	growing bool    // the current layer was begun by a rising move
	first   float64 // top of the first layer

	sequential, rising, dips, full bool
}

// at finds the layer that a material-laying move from height z0 to z1 belongs
// to, and reports whether it has just begun.
func (l *layers) at(z0, z1 float64) (begun bool) {
	n := len(l.table)
	if n == 0 {
		l.first = max(z0, z1)
		return l.begin(0, l.first, z0 != z1)
	}
	cur := &l.table[n-1]
	z := max(z0, z1)
	flat := z1-z0 < 1e-6 && z0-z1 < 1e-6
	if !flat {
		l.rising = true
	}
	switch {
	case z > cur.TopMM+heightTol:
		if l.growing && z <= l.base+l.bandHeight()+heightTol {
			cur.TopMM = z
			cur.ThicknessMM = z - l.base
			return false
		}
		if n >= MaxLayers {
			l.full = true
			cur.TopMM = z
			return false
		}
		return l.begin(cur.TopMM, z, !flat)
	case z >= cur.TopMM-heightTol:
		return false
	case n == 1 && flat: // what was above the first layer was no layer
		l.table = l.table[:0]
		l.first = z
		return l.begin(0, z, false)
	case flat && z <= l.first*1.5+heightTol && l.table[n-1].TopMM > l.first+heightTol:
		if n >= MaxLayers {
			l.full = true
			return false
		}
		l.sequential = true
		return l.begin(0, z, false)
	}
	if z <= l.base+heightTol && flat {
		l.dips = true
	}
	return false
}

func (l *layers) bandHeight() float64 {
	if l.band > 0 {
		return l.band
	}
	return bandMM
}

func (l *layers) begin(base, top float64, growing bool) bool {
	l.base, l.growing = base, growing
	if !growing {
		l.band = top - base
	}
	l.table = append(l.table, Layer{TopMM: top, ThicknessMM: top - base, Box: EmptyBox()})
	return true
}
