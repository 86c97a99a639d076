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
	propJoinMM    = 0.7 // gaps in a row up to this long are closed
)

// find works through the layers from the top. The rows run along X. What is
// wanted is carried down to where the part itself stands in the way; what is
// laid keeps a gap beside the part and one layer of air under the overhang.
func (v *supports) find(s *slicer) {
	v.layers = make([]propRows, s.layers)
	var cur, grown, gap outline
	var over, body, carried, keep hatch
	var want propRows // of the layer above
	var a, b []float64
	for i := s.layers - 2; i >= 0; i-- {
		s.cutAt(&cur, i+1)
		over.cut(&cur, -1, 0, propSpacingMM)
		s.cutAt(&cur, i)
		body.cut(&cur, -1, 0, propSpacingMM)
		grown.reset()
		// A layer carries the next one as far out as it is thick: 45°.
		cur.inset(&grown, -(s.part.LayerMM + 0.1*s.beadMM))
		carried.cut(&grown, -1, 0, propSpacingMM)
		gap.reset()
		cur.inset(&gap, -(propGapMM + 0.5*s.beadMM))
		keep.cut(&gap, -1, 0, propSpacingMM)

		first, last := over.first, over.first+len(over.rows)
		if len(want.rows) > 0 {
			first, last = min(first, want.first), max(last, want.first+len(want.rows))
		}
		next, laid := propRows{first: first}, propRows{first: first}
		for k := first; k < last; k++ {
			a = subtract(a[:0], over.row(k), carried.row(k), 0.01)
			b = union(b[:0], a, want.row(k), propJoinMM)
			a = subtract(a[:0], b, body.row(k), 0.01)
			next.rows = append(next.rows, copyOf(a))
			b = subtract(b[:0], a, keep.row(k), propLeastMM)
			laid.rows = append(laid.rows, copyOf(b))
		}
		if i > 0 {
			v.layers[i-1] = laid
		}
		want = next
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
