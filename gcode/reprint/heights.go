package reprint

import (
	"fmt"
	"math"
	"slices"

	"undercroft/gcode/analyze"
)

// How a height is known.
const (
	Recorded = "recorded" // what the firmware certainly executed
	Measured = "measured" // calipers on the good piece
	Missing  = "missing"  // calipers on what broke off: the whole less that
	Given    = "given"    // a person's word, or the layer picked on the side view
)

// Height is one height with the layer that it means.
type Height struct {
	How string  `json:"how"`
	MM  float64 `json:"mm"`
	// Good is how many whole layers it means, TopMM where the last of them ends,
	// and NextMM how thick the one after it is; 0 behind the last.
	Good   int     `json:"good_layers"`
	TopMM  float64 `json:"top_mm"`
	NextMM float64 `json:"next_layer_mm"`
}

// caliperMM is how far a caliper on a printed edge may read low: its own
// graduation and the bead's rounded edge. Common practice, no source.
const caliperMM = 0.05

// GoodLayers is how many whole layers a height means: those that end at it or
// below. A height that lies less below a layer's end than a caliper can tell, and
// less than a quarter of that layer, means that layer too.
func GoodLayers(layers []analyze.Layer, mm float64) int {
	n := 0
	for n < len(layers) && layers[n].TopMM-min(caliperMM, layers[n].ThicknessMM/4) <= mm+1e-6 {
		n++
	}
	return n
}

// HeightOf says which layer a height means. The layers are those of one object.
func HeightOf(how string, layers []analyze.Layer, mm float64) Height {
	h := Height{How: how, MM: mm, Good: GoodLayers(layers, mm)}
	if h.Good > 0 {
		h.TopMM = layers[h.Good-1].TopMM
	}
	if h.Good < len(layers) {
		h.NextMM = layers[h.Good].ThicknessMM
	}
	return h
}

// Readings is what several caliper readings come to.
type Readings struct {
	MedianMM float64   `json:"median_mm"`
	SpreadMM float64   `json:"spread_mm"` // greatest less least, of those used
	Used     []float64 `json:"used"`
	Refused  []float64 `json:"refused"` // too far from the others
}

const (
	maxReadings  = 50
	outlierMM    = 0.3 // nearer than this to the median is never an outlier
	spreadMostMM = 1.0 // a break that is rougher has no height
	madToSigma   = 1.4826
)

// Measure takes the median of several readings. A reading that lies further from
// it than 0.3 mm and three times the spread of the others (the median absolute
// deviation, scaled to a standard deviation) is refused and named; when the
// readings do not agree, there is no height and the error says so.
func Measure(values []float64) (Readings, error) {
	r := Readings{}
	if len(values) == 0 || len(values) > maxReadings {
		return r, unfit("%d readings; give from 1 to %d", len(values), maxReadings)
	}
	for _, v := range values {
		if !(v > 0 && v < 10000) {
			return r, unfit("a reading of %g mm", v)
		}
	}
	m := median(values)
	dev := make([]float64, len(values))
	for i, v := range values {
		dev[i] = math.Abs(v - m)
	}
	limit := max(outlierMM, 3*madToSigma*median(dev))
	for i, v := range values {
		if dev[i] > limit+1e-9 && len(values) > 2 {
			r.Refused = append(r.Refused, v)
		} else {
			r.Used = append(r.Used, v)
		}
	}
	r.MedianMM = median(r.Used)
	r.SpreadMM = slices.Max(r.Used) - slices.Min(r.Used)
	if len(values) > 2 && 3*len(r.Refused) > len(values) || r.SpreadMM > spreadMostMM {
		return r, unfit("the readings %s do not agree: measure again at several places of the edge, or sand the break flat first", mms(values))
	}
	return r, nil
}

func mms(v []float64) string {
	s := ""
	for i, x := range v {
		if i > 0 {
			s += ", "
		}
		s += fmt.Sprintf("%.2f", x)
	}
	return s + " mm"
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// Trust says which of the heights to cut at, and why. noPlastic: the print is
// known or feared to have gone on without plastic.
func Trust(heights []Height, noPlastic bool) (which Height, why string, err error) {
	by := func(how string) *Height {
		for i := range heights {
			if heights[i].How == how {
				return &heights[i]
			}
		}
		return nil
	}
	measured := by(Measured)
	if measured == nil {
		measured = by(Missing)
	}
	given, recorded := by(Given), by(Recorded)
	switch {
	case given != nil:
		return *given, "it is the height that you named", nil
	case measured != nil && recorded != nil && measured.Good < recorded.Good-1:
		return *measured, fmt.Sprintf("calipers say what is there; the record says what the printer executed, %d layers more: those were printed without plastic, did not stick or broke off", recorded.Good-measured.Good), nil
	case measured != nil && recorded != nil && measured.Good > recorded.Good+1:
		return *measured, fmt.Sprintf("calipers say what is there; the record is never above what was executed and errs on the low side, here by %d layers", measured.Good-recorded.Good), nil
	case measured != nil && recorded != nil:
		return *measured, "calipers say what is there, and the record agrees", nil
	case measured != nil:
		return *measured, "calipers say what is there", nil
	case recorded != nil && noPlastic:
		return Height{}, "", unfit("the record says %.2f mm, but that is what the printer executed: it may have gone on without plastic, and then the record means nothing for the piece: measure the good piece", recorded.MM)
	case recorded != nil:
		return *recorded, "it is what the printer certainly executed; measure the piece before you glue: only a caliper knows what stuck", nil
	}
	return Height{}, "", unfit("no height is known: measure the good piece at several places")
}

// Allow leaves out or adds whole layers for the seam: mm above 0 leaves a gap, so
// the remainder begins higher; below 0 it begins lower and overlaps what is sanded
// off. It returns the new number of good layers and what that comes to.
func Allow(layers []analyze.Layer, good int, mm float64) (int, float64, error) {
	if good < 1 || good > len(layers) {
		return good, 0, unfit("no layer ends there")
	}
	from := layers[good-1].TopMM
	at := good
	for at < len(layers)-1 && layers[at].TopMM-from <= mm+1e-6 {
		at++
	}
	for at > 1 && from-layers[at-2].TopMM <= -mm+1e-6 {
		at--
	}
	if math.Abs(mm) > 5 {
		return good, 0, unfit("an allowance of %g mm; up to 5 mm can be left or added", mm)
	}
	return at, layers[at-1].TopMM - from, nil
}

// Sink is the figure for who would rather cut the model in a slicer: how far to
// lower it into the plate, to the layer, and why not the measured figure.
func Sink(layers []analyze.Layer, good int) (mm float64, why string) {
	mm = layers[good-1].TopMM
	next := 0.0
	if good < len(layers) {
		next = layers[good].ThicknessMM
	}
	return mm, fmt.Sprintf("lower the model by %.2f mm: that is where layer %d of %d ends, and a cut between layers would make one that is too thin. Set the first layer to %.2f mm, as thick as the layer that comes next there; with another first layer the piece ends up higher or lower by the difference",
		mm, good, len(layers), next)
}
