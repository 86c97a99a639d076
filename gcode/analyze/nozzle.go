package analyze

// nozzle is a size that is sold, in mm. Common practice, no source.
type nozzle struct {
	diameterMM float64
	rare       bool
}

var nozzles = [...]nozzle{
	{0.15, true}, {0.2, false}, {0.25, false}, {0.3, true}, {0.35, true}, {0.4, false}, {0.5, true},
	{0.6, false}, {0.8, false}, {1.0, false}, {1.2, true}, {1.4, true}, {1.8, true},
}

// inferNozzles gives every nozzle that could have laid the material, most likely
// first. By common practice lines are 100 to 120 % of the nozzle wide, supports
// may be half as wide, gaps are filled with less, and nothing is much wider than
// 160 %; a layer is at most 80 % of the nozzle thick. So the widest lines that
// hold much material decide, not the most frequent ones.
func inferNozzles(b *widths, layerMM float64) []float64 {
	type guess struct{ diameterMM, score float64 }
	var out []guess
	typical := b.quantile(0.5)
	for _, n := range nozzles {
		d := n.diameterMM
		if layerMM > 0.8*d+heightTol {
			continue
		}
		main := b.share(0.965*d, 1.235*d)
		near := b.share(0.9*d, 0.965*d) + b.share(1.235*d, 1.5*d)
		half := b.share(0.44*d, 0.62*d)
		over := b.share(1.6*d, 1e9)
		if main+near < 0.15 && (typical < 0.9*d || typical > 1.5*d) {
			continue
		}
		if over > 0.25 {
			continue
		}
		score := main + 0.5*near - 2*over
		if main+near >= 0.15 {
			score += 0.2 * half
		}
		if n.rare {
			score -= 0.15
		}
		i := len(out)
		out = append(out, guess{})
		for i > 0 && out[i-1].score < score {
			out[i] = out[i-1]
			i--
		}
		out[i] = guess{d, score}
	}
	var sizes []float64
	for _, g := range out {
		sizes = append(sizes, g.diameterMM)
	}
	return sizes
}
