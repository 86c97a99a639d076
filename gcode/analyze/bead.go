package analyze

import "math"

// A bead is a rectangle with half-round sides: of width w and height h its
// cross-section is A = w·h − h²(1−π/4). So w = A/h + h(1−π/4).

const roundSides = 1 - math.Pi/4

// BeadAreaMM2 is the cross-section of a bead of that width and height in mm.
func BeadAreaMM2(widthMM, heightMM float64) float64 {
	return widthMM*heightMM - heightMM*heightMM*roundSides
}

// BeadWidthMM is the width of a bead of that cross-section and height.
func BeadWidthMM(areaMM2, heightMM float64) float64 {
	return areaMM2/heightMM + heightMM*roundSides
}

const (
	beadBins   = 400
	beadBinMM  = 0.01
	thickBins  = 256
	thickBinMM = 0.01
)

// beads holds how much material was laid in beads of each width and thickness.
type beads struct {
	volume [beadBins]float64 // by width
	thick  [thickBins]float64
	first  [thickBins]float64 // of thick, the share in first layers
	total  float64
}

func (b *beads) add(areaMM2, heightMM, volumeMM3 float64, first bool) {
	if !(heightMM > leastLayerMM/2) {
		return
	}
	w := BeadWidthMM(areaMM2, heightMM)
	i := uint(min(max(w*(1/beadBinMM), 0), beadBins-1))
	b.volume[i] += volumeMM3
	b.total += volumeMM3
	j := uint(min(heightMM*(1/thickBinMM)+0.5, thickBins-1))
	b.thick[j] += volumeMM3
	if first {
		b.first[j] += volumeMM3
	}
}

// quantile is the width below which that share of the material was laid.
func (b *beads) quantile(share float64) float64 {
	sum := 0.0
	for i, v := range b.volume {
		if v > 0 && sum+v >= share*b.total {
			// within the bin as if the material were spread evenly over it
			return (float64(i) + (share*b.total-sum)/v) * beadBinMM
		}
		sum += v
	}
	return 0
}

func (b *beads) bead() Bead {
	if b.total == 0 {
		return Bead{}
	}
	return Bead{
		TypicalMM:   b.quantile(0.5),
		NarrowestMM: b.quantile(0.02),
		WidestMM:    b.quantile(0.98),
	}
}

// share is the part of the material in beads from one width to another.
func (b *beads) share(fromMM, toMM float64) float64 {
	if b.total == 0 {
		return 0
	}
	sum := 0.0
	for i := range b.volume {
		mid := (float64(i) + 0.5) * beadBinMM
		if mid >= fromMM && mid < toMM {
			sum += b.volume[i]
		}
	}
	return sum / b.total
}

// layerMM is the thickness in which most material was laid, first layers apart
// unless there are no others.
func (b *beads) layerMM() float64 {
	best, most := -1, 0.0
	for i := range b.thick {
		if v := b.thick[i] - b.first[i]; v > most*(1+1e-9) {
			best, most = i, v
		}
	}
	if best < 0 {
		for i := range b.thick {
			if b.thick[i] > most {
				best, most = i, b.thick[i]
			}
		}
	}
	return float64(best) * thickBinMM
}
