package reprint

import (
	"fmt"
	"io"
)

// Picture draws the cut as SVG: the piece from the front with what is good and
// what is missing, and the first remaining layer over the last good one, seen
// from above.
func (p *Plan) Picture(w io.Writer) error {
	const side, gap, top = 360.0, 24.0, 40.0
	out := &svg{w: w}
	out.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="13" role="img">`, 2*side+3*gap, side+top+3*gap)
	out.put(`<title>The cut at %.2f mm, seen from the front and from above</title>`, p.baseMM)
	out.put(`<rect width="100%%" height="100%%" fill="#fbfaf6"/>`)

	// From the front: one bar for each layer, at most as many as show.
	box := p.layers[0].Box
	for i := range p.layers {
		b := p.layers[i].Box
		box.Min[0], box.Max[0] = min(box.Min[0], b.Min[0]), max(box.Max[0], b.Max[0])
	}
	height := p.layers[p.last].TopMM
	scale := side / max(box.Max[0]-box.Min[0], height, 1)
	step := 1 + len(p.layers)/200
	base := top + side
	for i := 0; i < len(p.layers); i += step {
		l := &p.layers[i]
		fill := "#2f4b5c"
		if i >= p.first {
			fill = "#d98e5f"
		}
		n := min(i+step, len(p.layers)) - 1
		thick := p.layers[n].TopMM - l.TopMM + l.ThicknessMM
		out.put(`<rect x="%.2f" y="%.2f" width="%.2f" height="%.2f" fill="%s"/>`,
			gap+(l.Box.Min[0]-box.Min[0])*scale, base-p.layers[n].TopMM*scale, (l.Box.Max[0]-l.Box.Min[0])*scale, thick*scale+0.2, fill)
	}
	cut := base - p.baseMM*scale
	out.put(`<path d="M%.2f %.2fH%.2f" stroke="#b3261e" stroke-width="1.5" stroke-dasharray="6 3"/>`, gap/2, cut, gap+side)
	out.put(`<path d="M%.2f %.2fH%.2f" stroke="#9a9386"/>`, gap/2, base, gap+side)
	out.put(`<text x="%g" y="%g">From the front: good below %.2f mm, missing above</text>`, gap, top-16, p.baseMM)

	// From above.
	f := &p.First
	left := 2*gap + side
	cell := side / float64(max(f.Width, f.Height, 1))
	out.put(`<text x="%g" y="%g">From above: %.0f mm² of %.0f mm² stand on the good piece</text>`, left, top-16, p.Seam.ContactMM2, p.Seam.FirstMM2)
	for _, k := range []struct {
		want byte
		fill string
	}{{1, "#b8c4cb"}, {2, "#b3261e"}, {3, "#d98e5f"}} {
		out.put(`<path fill="%s" d="`, k.fill)
		p.runs(k.want, func(i, j, n int) {
			out.put("M%.2f %.2fh%.2fv%.2fh%.2fz", left+float64(i)*cell, base-float64(j+1)*cell, float64(n)*cell, cell*1.02, -float64(n)*cell)
		})
		out.put(`"/>`)
	}
	for i, l := range []struct{ fill, text string }{{"#d98e5f", "stands on the good piece"}, {"#b3261e", "stands on nothing"}, {"#b8c4cb", "last good layer alone"}} {
		x := gap + float64(i)*200
		out.put(`<rect x="%g" y="%g" width="12" height="12" fill="%s"/><text x="%g" y="%g">%s</text>`, x, base+gap, l.fill, x+18, base+gap+11, l.text)
	}
	out.put("</svg>\n")
	return out.err
}

// runs finds the rows' runs of cells of one kind: 1 the last good layer alone, 2
// the first remaining alone, 3 both.
func (p *Plan) runs(want byte, do func(i, j, n int)) {
	f := &p.First
	for j := range f.Height {
		from := -1
		for i := 0; i <= f.Width; i++ {
			is := false
			if i < f.Width {
				k := j*f.Width + i
				is = p.Below.Cells[k]|f.Cells[k]<<1 == want
			}
			switch {
			case is && from < 0:
				from = i
			case !is && from >= 0:
				do(from, j, i-from)
				from = -1
			}
		}
	}
}

type svg struct {
	w   io.Writer
	err error
}

func (s *svg) put(format string, args ...any) {
	if s.err == nil {
		_, s.err = fmt.Fprintf(s.w, format, args...)
	}
}
