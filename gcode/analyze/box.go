package analyze

import "math"

// EmptyBox holds nothing yet.
func EmptyBox() Box {
	inf := math.Inf(1)
	return Box{Min: [3]float64{inf, inf, inf}, Max: [3]float64{-inf, -inf, -inf}, Empty: true}
}

func (b *Box) add(x, y, z float64) {
	b.Empty = false
	b.Min[0], b.Max[0] = min(b.Min[0], x), max(b.Max[0], x)
	b.Min[1], b.Max[1] = min(b.Min[1], y), max(b.Max[1], y)
	b.Min[2], b.Max[2] = min(b.Min[2], z), max(b.Max[2], z)
}

func (b *Box) join(o *Box) {
	if o.Empty {
		return
	}
	b.add(o.Min[0], o.Min[1], o.Min[2])
	b.add(o.Max[0], o.Max[1], o.Max[2])
}

// closed gives an empty box plain zeros, so that it can be written as JSON.
func (b Box) closed() Box {
	if b.Empty {
		return Box{Empty: true}
	}
	return b
}

// Size is the box's length along each axis.
func (b Box) Size() [3]float64 {
	if b.Empty {
		return [3]float64{}
	}
	return [3]float64{b.Max[0] - b.Min[0], b.Max[1] - b.Min[1], b.Max[2] - b.Min[2]}
}
