package analyze

import (
	"math"
	"slices"
)

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
	// earlyLayers are kept apart: first layers and rafts are laid wider than
	// their nozzle's lines.
	earlyLayers = 3
)

// widths holds how much material was laid in beads of each width.
type widths struct {
	mm3   [beadBins]float64
	mm4   [beadBins]float64 // volume times width, for the mean within a bin
	total float64
}

// beads are the widths of all beads, of those in the first layers, and how much
// material was laid in lines of each thickness.
type beads struct {
	all   widths
	first widths // first layers of objects
	early widths // the earlyLayers, first layers included
	thick [thickBins]rowThickness
}

// add takes in a line of a layer, by its index, that rests on the plate or not.
func (b *beads) add(w, h, volumeMM3 float64, layer int, onPlate bool) {
	t := &b.thick[min(uint(int(h*(1/thickBinMM)+0.5)), thickBins-1)]
	t.mm3 += volumeMM3
	t.mm4 += volumeMM3 * h
	if w > beadBinMM*(beadBins-0.5) {
		w = beadBinMM * (beadBins - 0.5)
	}
	i := uint(int(w * (1 / beadBinMM))) // it is positive: area and height are
	b.all.add(i, w, volumeMM3)
	if onPlate {
		b.first.add(i, w, volumeMM3)
	}
	if onPlate || layer < earlyLayers {
		b.early.add(i, w, volumeMM3)
	}
}

func (w *widths) add(bin uint, widthMM, volumeMM3 float64) {
	w.mm3[bin] += volumeMM3
	w.mm4[bin] += volumeMM3 * widthMM
	w.total += volumeMM3
}

// less takes the beads of o out.
func (w widths) less(o *widths) widths {
	for i := range w.mm3 {
		w.mm3[i] = max(0, w.mm3[i]-o.mm3[i])
		w.mm4[i] = max(0, w.mm4[i]-o.mm4[i])
	}
	w.total = max(0, w.total-o.total)
	return w
}

// quantile is the width below which that share of the material was laid.
func (w *widths) quantile(share float64) float64 {
	sum := 0.0
	for i, v := range w.mm3 {
		sum += v
		if v > 0 && sum >= share*w.total*(1-1e-12) {
			return w.mm4[i] / v
		}
	}
	return 0
}

// share is the part of the material in beads from one width to another.
func (w *widths) share(fromMM, toMM float64) float64 {
	if w.total == 0 {
		return 0
	}
	sum := 0.0
	for i, v := range w.mm3 {
		if v > 0 && w.mm4[i] >= v*fromMM && w.mm4[i] < v*toMM {
			sum += v
		}
	}
	return sum / w.total
}

func (b *beads) bead() Bead {
	return Bead{
		TypicalMM:   b.all.quantile(0.5),
		NarrowestMM: b.all.quantile(0.02),
		WidestMM:    b.all.quantile(0.98),
	}
}

// main are the beads that tell the nozzle: those above the first layers, where
// there are enough of them.
func (b *beads) main() widths {
	for _, early := range []*widths{&b.early, &b.first} {
		if rest := b.all.less(early); rest.total > 0.15*b.all.total {
			return rest
		}
	}
	return b.all
}

// rowThickness is how thick a layer's lines were where they were laid: a mean
// weighted by volume.
type rowThickness struct{ mm4, mm3 float64 }

// commonThickness is the thickness that most layers have. A layer of little
// material, such as one of supports alone, counts for less; one of much, such as
// a raft's, not for more.
func (b *beads) commonThickness(rows []row) float64 {
	amounts := make([]float64, len(rows))
	for i, r := range rows {
		amounts[i] = r.thickness.mm3
	}
	slices.Sort(amounts)
	limit := 1.0
	if n := len(amounts); n > 0 {
		limit = 1.5 * amounts[n/2]
	}
	var bins [thickBins]struct{ weight, sum float64 }
	best := 0
	for i := range rows {
		r := rows[i].thickness
		if r.mm3 == 0 || i == 0 && len(rows) > 1 {
			continue
		}
		h := r.mm4 / r.mm3
		w := min(r.mm3, limit)
		bin := &bins[min(int(h/thickBinMM+0.5), len(bins)-1)]
		bin.weight += w
		bin.sum += w * h
	}
	for i := range bins {
		if bins[i].weight > bins[best].weight*(1+1e-9) {
			best = i
		}
	}
	if bins[best].weight == 0 {
		return 0
	}
	common := bins[best].sum / bins[best].weight
	// A layer's mean mixes the piece with supports on their own levels; the lines
	// themselves are of one thickness.
	most := rowThickness{}
	for _, t := range b.thick {
		if t.mm3 > most.mm3 && t.mm4 > 0.85*common*t.mm3 && t.mm4 < 1.15*common*t.mm3 {
			most = t
		}
	}
	if most.mm3 > 0 {
		return most.mm4 / most.mm3
	}
	return common
}
