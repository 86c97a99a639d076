package analyze

import "math"

// EmptyBox holds nothing yet.
func EmptyBox() Box {
	inf := math.Inf(1)
	return Box{Min: [3]float64{inf, inf, inf}, Max: [3]float64{-inf, -inf, -inf}, Empty: true}
}

func (b *Box) add(x, y, z float64) {
	b.Empty = false
	if x < b.Min[0] {
		b.Min[0] = x
	}
	if x > b.Max[0] {
		b.Max[0] = x
	}
	if y < b.Min[1] {
		b.Min[1] = y
	}
	if y > b.Max[1] {
		b.Max[1] = y
	}
	if z < b.Min[2] {
		b.Min[2] = z
	}
	if z > b.Max[2] {
		b.Max[2] = z
	}
}

func (b *Box) join(o *Box) {
	if o.Empty {
		return
	}
	b.add(o.Min[0], o.Min[1], o.Min[2])
	b.add(o.Max[0], o.Max[1], o.Max[2])
}

// closed gives zeros along axes where nothing was added, so that the box can be
// written as JSON.
func (b Box) closed() Box {
	for i := range b.Min {
		if b.Min[i] > b.Max[i] {
			b.Min[i], b.Max[i] = 0, 0
		}
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
