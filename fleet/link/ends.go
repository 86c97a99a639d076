package link

import "bytes"

// softEnds are the ends beyond which the firmware does not plan a move once the
// axis is homed: it runs the move to the end instead, without a word. Whoever
// follows the position must do the same.
type softEnds struct {
	known    bool
	on       bool
	homed    [3]bool    // the ends hold for this axis
	min, max [3]float64 // mm
	asked    int        // M211 was sent
}

func (s *softEnds) clamp(axis int, v float64) float64 {
	if axis > 2 || !s.known || !s.on || !s.homed[axis] {
		return v
	}
	return min(max(v, s.min[axis]), s.max[axis])
}

// read takes a line of the answer to M211: 'M211 S1 ; ON' or 'Min:  X0.00 Y0.00
// Z0.00   Max:  X200.00 Y200.00 Z200.00'. The ends count when two answers agree.
func (s *softEnds) read(b []byte) {
	if i := bytes.Index(b, []byte("M211 S")); i >= 0 && i+6 < len(b) {
		s.on = b[i+6] != '0'
		return
	}
	lo, hi, found := bytes.Cut(b, []byte("Max:"))
	if !found || !bytes.Contains(lo, []byte("Min:")) {
		return
	}
	var low, high [3]float64
	for axis := range 3 {
		a, okA := word(lo, byte('X'+axis))
		z, okZ := word(hi, byte('X'+axis))
		if !okA || !okZ || a >= z {
			return
		}
		low[axis], high[axis] = a, z
	}
	s.known = low == s.min && high == s.max
	s.min, s.max = low, high
}
