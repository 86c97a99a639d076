package analyze

import "math"

// A bead is a rectangle with half-round sides: of width w and height h its
// cross-section is A = w·h − h²(1−π/4). So w = A/h + h(1−π/4).

const roundSides = 1 - math.Pi/4

// BeadAreaMM2 is the cross-section of a bead of that width and height in mm.
func BeadAreaMM2(widthMM, heightMM float64) float64 {
	return widthMM*heightMM - heightMM*heightMM*roundSides
}

const (
	beadBins  = 400
	beadBinMM = 0.01
)

// beads holds how much material was laid in beads of each width.
type beads struct {
	volume [beadBins]float64
	total  float64
}

func (b *beads) add(areaMM2, heightMM, volumeMM3 float64) {
	w := areaMM2/heightMM + heightMM*roundSides
	i := int(w * (1 / beadBinMM))
	if i < 0 {
		i = 0
	}
	if i >= beadBins {
		i = beadBins - 1
	}
	b.volume[i] += volumeMM3
	b.total += volumeMM3
}

// quantile is the width below which that share of the material was laid.
func (b *beads) quantile(share float64) float64 {
	if b.total == 0 {
		return 0
	}
	sum := 0.0
	for i, v := range b.volume {
		sum += v
		if sum >= share*b.total {
			return (float64(i) + 0.5) * beadBinMM
		}
	}
	return beadBins * beadBinMM
}

func (b *beads) bead() Bead {
	return Bead{
		TypicalMM:   b.quantile(0.5),
		NarrowestMM: b.quantile(0.02),
		WidestMM:    b.quantile(0.98),
	}
}

// nozzles that are sold, in mm. Common practice, no source.
var nozzleSizesMM = [...]float64{0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.4, 1.8}

// inferNozzles gives every nozzle consistent with beads of that typical width
// and layers of that thickness: lines of 90 to 150 % of the nozzle, layers of at
// most 80 % (common practice, no source). The nearest to lines of 110 % comes first.
func inferNozzles(typicalMM, layerMM float64) []float64 {
	var out []float64
	off := func(d float64) float64 { return math.Abs(math.Log(typicalMM / d / 1.1)) }
	for _, d := range nozzleSizesMM {
		if r := typicalMM / d; r < 0.9 || r > 1.5 || layerMM > 0.8*d+heightTol {
			continue
		}
		i := len(out)
		out = append(out, d)
		for i > 0 && off(out[i-1]) > off(d) {
			out[i] = out[i-1]
			i--
		}
		out[i] = d
	}
	return out
}
