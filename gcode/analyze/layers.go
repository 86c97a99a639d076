package analyze

// Layers come from where material is laid, never from comments:
//
//   - a move lays material when it moves in X or Y and draws filament beyond
//     what was drawn before (a retraction's return lays nothing);
//   - at the height of the current layer it belongs to that layer, above it it
//     begins the next, so hops in travel and levels of supports need no rule;
//   - below it, down to the height of the first layer, it begins the next object
//     of a sequential print; anything between belongs to the current layer;
//   - a move that rises while it lays material (spiral, ramped seam, non-planar),
//     or by less than any layer is thick, stretches the current layer up to one
//     layer thickness, then begins the next;
//   - a few lines at the very start, in a narrow strip that the rest of the print
//     stays away from, prime the nozzle and are no layer (opening.go).

const (
	// heightTol is how far two heights may differ and count as one, in mm: less
	// than any layer is thick, more than decimals round.
	heightTol = 0.004
	// leastLayerMM is thinner than any layer that is printed on purpose.
	leastLayerMM = 0.025
	// bandMM is the height of one layer of a rising print that has shown none.
	bandMM = 0.2
)

// MaxLayers bounds the layer table: 2 m of 0.05 mm layers. Beyond it the last
// layer takes what comes.
const MaxLayers = 40000

// row is what is kept beside a layer while it is read.
type row struct {
	tag       int32 // of its moves in the clock
	thickness rowThickness
}

// maxTags bounds what the clock keeps: a first layer may be begun anew many times.
const maxTags = 2 * MaxLayers

type layers struct {
	table   []Layer
	rows    []row   // beside each layer of the table
	tags    int32   // given so far
	base    float64 // top of the layer below, within the same object
	band    float64 // thickness of the last layer that lay flat
	growing growth
	first   float64 // top of the first layer
	thick   float64 // the thickest flat layer so far

	sequential, dips, full bool
}

// growth says whether the top of the current layer may still rise.
type growth int

const (
	grown    growth = iota
	rising          // a ramp began it
	creeping        // flat lines that rise by less than any layer began it
)

// step says what laying material at a height did to the layer table.
type step int

const (
	stayed   step = iota // it belongs to the current layer
	begun                // it began a layer
	replaced             // it began the first layer: what lay above was none
	below                // it lies under the top of the current layer
)

// goesOn reports the ordinary case of at: a move well at the top of a layer that
// has done growing belongs to it.
func (l *layers) goesOn(z0, z1 float64) bool {
	n := len(l.table) - 1
	if n < 0 || l.growing != grown || z0 > z1 {
		return false
	}
	d := z1 - l.table[n].TopMM
	return d < heightTol/2 && d > -heightTol/2
}

// at finds the layer that a material-laying move from height z0 to z1 belongs
// to: the last of the table.
func (l *layers) at(z0, z1 float64) step {
	n := len(l.table)
	z := max(z0, z1)
	flat := z1-z0 < 1e-6 && z0-z1 < 1e-6
	if n == 0 {
		l.first = z
		how := grown
		if !flat {
			how = rising
		}
		l.begin(0, z, how)
		return begun
	}
	cur := &l.table[n-1]
	switch {
	case z > cur.TopMM+heightTol:
		if l.growing != grown && z <= l.base+l.bandHeight()+heightTol {
			cur.TopMM, cur.ThicknessMM = z, z-l.base
			l.settle(cur, flat)
			return stayed
		}
		if n >= MaxLayers {
			l.full = true
			cur.TopMM = z
			return stayed
		}
		switch {
		case !flat:
			l.begin(cur.TopMM, z, rising)
		case z-cur.TopMM < leastLayerMM:
			l.begin(cur.TopMM, z, creeping)
		default:
			l.begin(cur.TopMM, z, grown)
		}
		return begun
	case z >= cur.TopMM-heightTol:
		l.settle(cur, flat)
		return stayed
	case flat && n == 1:
		l.table, l.rows = l.table[:0], l.rows[:0]
		l.first = z
		l.begin(0, z, grown)
		return replaced
	case flat && z <= l.first*1.5+heightTol && cur.TopMM > l.first+heightTol && z <= l.base+heightTol:
		l.sequential = true
		if n >= MaxLayers {
			l.full = true
			return below
		}
		l.begin(0, z, grown)
		return begun
	}
	if flat && z < l.base-heightTol {
		l.dips = true
	}
	return below
}

func (l *layers) bandHeight() float64 {
	if l.band > 0 {
		return l.band
	}
	return bandMM
}

// settle ends the growth of a layer that a ramp began once a flat line is laid
// at its top.
func (l *layers) settle(cur *Layer, flat bool) {
	if flat && l.growing == rising {
		l.growing = grown
		l.measure(cur.TopMM - l.base)
	}
}

func (l *layers) measure(thick float64) {
	l.band = thick
	l.thick = max(l.thick, thick)
}

func (l *layers) begin(base, top float64, how growth) {
	l.base, l.growing = base, how
	if how == grown {
		l.measure(top - base)
	}
	l.table = append(l.table, Layer{TopMM: top, ThicknessMM: top - base, Box: EmptyBox()})
	tag := int32(tagNone)
	if l.tags < maxTags {
		l.tags++ // from 1 on: the opening has 0
		tag = l.tags
	}
	l.rows = append(l.rows, row{tag: tag})
}
