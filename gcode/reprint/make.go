package reprint

import (
	"fmt"
	"io"
	"math"

	"undercroft/gcode/analyze"
)

// Made is a remainder that was written and stood the check.
type Made struct {
	Plan   *Plan
	Result *analyze.Result // of what was written
}

// Write rewrites the original, and reads what it writes as any other file is
// read before it is printed. What stands in out counts only when the error is
// nil: write to a place that nobody sees before.
func (p *Plan) Write(src io.ReadSeeker, out io.Writer) (*Made, error) {
	if _, err := src.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	pr, pw := io.Pipe()
	type read struct {
		res *analyze.Result
		err error
	}
	done := make(chan read, 1)
	go func() {
		res, err := analyze.Read(pr, p.o.Analyze)
		pr.CloseWithError(err)
		done <- read{res, err}
	}()
	w, err := p.write(src, io.MultiWriter(out, pw))
	pw.CloseWithError(err) // nil: the end
	r := <-done
	if err != nil {
		return nil, err
	}
	if r.err != nil {
		return nil, r.err
	}
	if err := p.check(r.res, w.skirtMM); err != nil {
		return nil, err
	}
	return &Made{p, r.res}, nil
}

const (
	checkTopMM      = 0.002
	checkFilamentMM = 0.01
)

// check holds the remainder's analysis against the original's.
func (p *Plan) check(got *analyze.Result, skirtMM float64) error {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", ErrCheck, fmt.Sprintf(format, args...))
	}
	for _, f := range got.Findings {
		if f.Severity == analyze.Refuse {
			return bad("line %d: %s", f.Line, f.Text)
		}
	}
	want := p.layers[p.first:]
	n := len(got.Layers) - len(want)
	if len(p.o.Pieces) > 0 {
		// Some layers may hold none of the pieces.
		if len(got.Layers) == 0 || n > 1 {
			return bad("it has %d layers where at most %d remain", len(got.Layers), len(want))
		}
		return nil
	}
	if p.spiral {
		// A rising line has no layers of its own that could be compared.
		if top := want[len(want)-1].TopMM + p.move[2]; math.Abs(got.HeightMM-top) > checkTopMM {
			return bad("it ends at %.3f mm where %.3f mm is due", got.HeightMM, top)
		}
		return nil
	}
	// A prime line may count as a layer, and a first layer of a few short lines as
	// prime lines: the layers are compared from the top.
	if n < -1 || n > 1 || len(got.Layers) == 0 && len(want) > 1 {
		return bad("it has %d layers where %d remain", len(got.Layers), len(want))
	}
	drawn, due := 0.0, 0.0
	for _, t := range got.Tools {
		drawn += t.FilamentMM
	}
	for i := range want {
		due += want[i].FilamentMM
	}
	if tol := checkFilamentMM * float64(1+len(want)); drawn < due-tol {
		return bad("it draws %.2f mm of filament where %.2f mm are missing", drawn, due)
	}
	want = want[max(0, -n):]
	for i, l := range got.Layers[max(0, n):] {
		if top := want[i].TopMM + p.move[2]; math.Abs(l.TopMM-top) > checkTopMM {
			return bad("its layer %d ends at %.3f mm where %.3f mm is due", i+1, l.TopMM, top)
		}
		e := l.FilamentMM - want[i].FilamentMM
		if i == 0 && (skirtMM > 0 || e < 0) { // a skirt is of its height; what looks like prime lines counts apart
			e = 0
		}
		if math.Abs(e) > checkFilamentMM {
			return bad("its layer %d draws %.3f mm of filament where the original draws %.3f", i+1, l.FilamentMM, want[i].FilamentMM)
		}
	}
	return nil
}
