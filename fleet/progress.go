package fleet

import "time"

// pace learns how fast a run really goes against its estimate, and says how
// much is left. Durations are house seconds.
type pace struct {
	estimateS float64

	pausedAt time.Time     // zero while it is not paused
	paused   time.Duration // sum of the pauses that are over
	// The first layer end is where comparing starts: how long heating up takes
	// says nothing about how long printing takes.
	refAt   time.Time
	refEstS float64
}

// A run's own speed is trusted as it goes on: this many estimated seconds of
// the estimate's own weight are mixed in, at most a twentieth of the whole.
const priorS = 1200.0

func (p *pace) hold(now time.Time) {
	if p.pausedAt.IsZero() {
		p.pausedAt = now
	}
}

func (p *pace) goOn(now time.Time) {
	if !p.pausedAt.IsZero() {
		p.paused += now.Sub(p.pausedAt)
		p.pausedAt = time.Time{}
	}
}

// ref notes the first layer end that was reached, estS by the estimate.
func (p *pace) ref(now time.Time, estS float64) {
	if p.refAt.IsZero() {
		p.refAt, p.refEstS = now.Add(-p.paused), estS
	}
}

// leftS returns the house seconds left at a point of the run that the estimate
// puts estS after its start.
func (p *pace) leftS(now time.Time, estS float64) float64 {
	rest := max(p.estimateS-estS, 0)
	if p.refAt.IsZero() || estS <= p.refEstS {
		return rest
	}
	if !p.pausedAt.IsZero() {
		now = p.pausedAt
	}
	took := now.Add(-p.paused).Sub(p.refAt).Seconds()
	prior := min(priorS, p.estimateS/20)
	ratio := (took + prior) / (estS - p.refEstS + prior)
	// A machine that stands still for a night is not a hundred times slower.
	return rest * min(max(ratio, 0.2), 5)
}

// between interpolates along a file between layer ends: at a line inside layer
// i (0-based, not complete) it returns the part of the layer, by its lines,
// that lies before it.
func between(layers []Layer, i int, line int64) float64 {
	if i >= len(layers) {
		return 0
	}
	from := int64(0)
	if i > 0 {
		from = layers[i-1].EndLine
	}
	span := layers[i].EndLine - from
	if span <= 0 || line <= from {
		return 0
	}
	return min(float64(line-from)/float64(span), 1)
}

// sum returns a quantity that layers hold cumulatively, at a line inside layer
// i, of which i are complete.
func sum(layers []Layer, i int, line int64, of func(Layer) float64) float64 {
	before := 0.0
	if i > 0 {
		before = of(layers[i-1])
	}
	if i >= len(layers) {
		return before
	}
	return before + (of(layers[i])-before)*between(layers, i, line)
}

func estS(l Layer) float64       { return l.EndS }
func filamentMM(l Layer) float64 { return l.FilamentMM }
