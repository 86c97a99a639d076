package heron

// supports are the rows on which an overhang rests, layer by layer. They are
// found from the top down before the first line is written: what sticks out
// further than a layer can carry itself needs a row beneath it, down to the
// plate or to the part.
type supports struct {
	layers []propRows
}

type propRows struct {
	first int
	rows  [][]float64
}

func (p propRows) row(k int) []float64 {
	if r := k - p.first; r >= 0 && r < len(p.rows) {
		return p.rows[r]
	}
	return nil
}

const (
	propSpacingMM = 2.4
	propGapMM     = 0.8 // beside the part
	propLeastMM   = 2.0 // shorter rows are left out
)

// find works through the layers from the top. The rows run along X.
func (v *supports) find(s *slicer) {
	v.layers = make([]propRows, s.layers)
	var cur, grown, gap outline
	var over, own, keep hatch
	var need propRows // of the layer above
	var a, b []float64
	for i := s.layers - 2; i >= 0; i-- {
		s.cutAt(&cur, i+1)
		over.cut(&cur, -1, 0, propSpacingMM)
		s.cutAt(&cur, i)
		grown.reset()
		// A layer carries the next one as far out as it is thick: 45°.
		cur.inset(&grown, -(s.part.LayerMM + 0.25*s.beadMM))
		own.cut(&grown, -1, 0, propSpacingMM)
		gap.reset()
		cur.inset(&gap, -(propGapMM + 0.5*s.beadMM))
		keep.cut(&gap, -1, 0, propSpacingMM)

		first, last := over.first, over.first+len(over.rows)
		if len(need.rows) > 0 {
			first, last = min(first, need.first), max(last, need.first+len(need.rows))
		}
		next := propRows{first: first}
		for k := first; k < last; k++ {
			a = subtract(a[:0], over.row(k), own.row(k), propLeastMM)
			b = union(b[:0], a, need.row(k))
			a = subtract(a[:0], b, keep.row(k), propLeastMM)
			next.rows = append(next.rows, copyOf(a))
		}
		// One layer of air below the overhang: its rows end one layer lower.
		if i > 0 {
			v.layers[i-1] = next
		}
		need = next
	}
}

func (s *slicer) addProps(i int) {
	rows := s.props.layers[i]
	if len(rows.rows) == 0 {
		return
	}
	h := &s.fill
	h.angle, h.spacing, h.sin, h.cos, h.first = 0, propSpacingMM, 0, 1, rows.first
	h.rows = h.rows[:0]
	h.resize(len(rows.rows))
	for r := range rows.rows {
		h.rows[r] = append(h.rows[r], rows.rows[r]...)
	}
	s.addRows(h, support, false)
}
