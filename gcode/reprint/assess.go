package reprint

import (
	"errors"
	"io"
	"strings"

	"undercroft/gcode/analyze"
)

// Request is what a person and the record say of a mishap.
type Request struct {
	Options             // Good is found from the heights
	Recorded   *float64 // completed height of the record
	Given      *float64
	Measured   []float64 // caliper readings of the good piece
	MissingMM  []float64 // of what broke off, or of what is not there: the whole less that
	NoPlastic  bool      // the print may have gone on without plastic
	Allowance  float64   // for the seam: above 0 leaves a gap, below 0 overlaps
	Rates      Rates
	OtherS     float64 // another way of the part, 0 where none is known
	OtherG     float64
	Standing   *Standing // nil: the piece is off its plate
	WantsPlace bool      // write what goes on in place instead of a remainder
}

// Report is everything that a person decides by.
type Report struct {
	HeightMM    float64   `json:"height_mm"` // of the whole piece
	LayerCount  int       `json:"layer_count"`
	Heights     []Height  `json:"heights"`
	Readings    *Readings `json:"readings,omitempty"`
	Trusted     Height    `json:"trusted"`
	TrustedWhy  string    `json:"trusted_why"`
	AllowanceMM float64   `json:"allowance_mm"` // what the asked allowance comes to in whole layers
	GoodLayers  int       `json:"good_layers"`
	CutMM       float64   `json:"cut_mm"`
	FirstMM     float64   `json:"first_layer_mm"`
	LeftLayers  int       `json:"layers_left"`
	LeftMM      float64   `json:"left_mm"`
	Seam        Seam      `json:"seam"`
	Remarks     []Remark  `json:"remarks"`
	SinkMM      float64   `json:"sink_mm"`
	SinkWhy     string    `json:"sink_why"`
	Ways        []Way     `json:"ways"`
	Take        string    `json:"take"`
	TakeWhy     string    `json:"take_why"`
	Checks      []string  `json:"checks,omitempty"` // before going on in place
}

// Assess finds the height to cut at, makes what prints the rest and writes it to
// out, and says what each way on costs. A file that cannot be cut is no error: the
// report then says why, made is nil and nothing counts of what was written. Errors
// wrap ErrRequest, or are those of reading and writing.
func Assess(src io.ReadSeeker, res *analyze.Result, q Request, out io.Writer) (rep *Report, made *Made, err error) {
	if len(res.Layers) == 0 {
		return nil, nil, refuse("it lays no material")
	}
	ranges := objectRanges(res.Layers)
	layers := res.Layers
	if len(ranges) > 1 {
		if q.Object < 1 || q.Object > len(ranges) {
			return nil, nil, unfit("%d objects are printed one after the other, and a height says nothing without the object it belongs to: say which, from 1 to %d in the order of printing", len(ranges), len(ranges))
		}
		layers = res.Layers[ranges[q.Object-1][0]:ranges[q.Object-1][1]]
	}
	rep = &Report{HeightMM: layers[len(layers)-1].TopMM, LayerCount: len(layers)}
	if err := rep.heights(layers, q); err != nil {
		return nil, nil, err
	}
	if rep.Trusted.Good == 0 {
		return nil, nil, unfit("%.2f mm is not one whole layer: print it again, whole", rep.Trusted.MM)
	}
	if rep.Trusted.Good >= len(layers) {
		return nil, nil, unfit("%.2f mm is the whole piece, which is %.2f mm high: nothing is missing", rep.Trusted.MM, rep.HeightMM)
	}
	if rep.GoodLayers, rep.AllowanceMM, err = Allow(layers, rep.Trusted.Good, q.Allowance); err != nil {
		return nil, nil, err
	}
	rep.SinkMM, rep.SinkWhy = Sink(layers, rep.GoodLayers)
	rep.CutMM, rep.FirstMM = rep.SinkMM, layers[rep.GoodLayers].ThicknessMM
	rep.LeftLayers, rep.LeftMM = len(layers)-rep.GoodLayers, rep.HeightMM-rep.CutMM

	c := Case{WholeS: res.TimeS, GoodMM: rep.CutMM, HeightMM: rep.HeightMM, Rates: q.Rates, OtherS: q.OtherS, OtherG: q.OtherG}
	for _, t := range res.Tools {
		c.WholeG += t.MassG
	}
	q.Options.Good = rep.GoodLayers
	c.NoInPlace = "the piece is off its plate"
	if q.Standing != nil {
		c.NoInPlace = ""
		rep.Checks = Checks(rep.CutMM)
		if against := q.Standing.Against(); len(against) > 0 && q.Standing.Reason == "" {
			c.NoInPlace = strings.Join(against, "; ")
		}
	}
	p, err := NewPlan(src, res, q.Options)
	if err == nil {
		rep.Seam, rep.Remarks = p.Seam, p.Remarks
		c.Remarks = p.risks()
		to := out
		if q.WantsPlace {
			to = io.Discard
		}
		made, err = p.Write(src, to)
	}
	switch {
	case err == nil:
		c.RemainderS = made.Result.TimeS
		for _, t := range made.Result.Tools {
			c.RemainderG += t.MassG
		}
	case errors.Is(err, ErrFile), errors.Is(err, ErrCheck):
		c.NoRemainder = err.Error()
	default:
		return nil, nil, err
	}
	if q.WantsPlace {
		if made, err = goOn(src, res, q, out); errors.Is(err, ErrFile) || errors.Is(err, ErrCheck) {
			c.NoInPlace = err.Error()
		} else if err != nil {
			return nil, nil, err
		}
	}
	rep.Ways, rep.Take, rep.TakeWhy = Choose(c)
	return rep, made, nil
}

// goOn writes what goes on in place.
func goOn(src io.ReadSeeker, res *analyze.Result, q Request, out io.Writer) (*Made, error) {
	st := Standing{}
	if q.Standing != nil {
		st = *q.Standing
	}
	q.Options.InPlace = true
	p, err := NewPlan(src, res, q.Options)
	if err != nil {
		return nil, err
	}
	return p.Continue(src, out, st)
}

// Missed is why what was asked for was not made: a remainder, or going on in place.
func (rep *Report) Missed(inPlace bool) string {
	kind := Remainder
	if inPlace {
		kind = InPlace
	}
	for _, w := range rep.Ways {
		if w.Kind == kind && !w.Possible {
			return w.Text
		}
	}
	return "nothing was made"
}

// risks counts the remarks that make a seam worse.
func (p *Plan) risks() int {
	n := 0
	for _, r := range p.Remarks {
		switch r.Code {
		case "small-seam", "small-first-layer", "islands", "loose-island", "bridge", "sparse", "thin-first-layer", "no-prime", "shrinks":
			n++
		}
	}
	return n
}

func (rep *Report) heights(layers []analyze.Layer, q Request) error {
	if q.Recorded != nil {
		rep.Heights = append(rep.Heights, HeightOf(Recorded, layers, *q.Recorded))
	}
	if len(q.Measured) > 0 && len(q.MissingMM) > 0 {
		return unfit("the good piece and the missing one were both measured: give one of them")
	}
	how, values := Measured, q.Measured
	if len(q.MissingMM) > 0 {
		how, values = Missing, q.MissingMM
	}
	if len(values) > 0 {
		r, err := Measure(values)
		if err != nil {
			return err
		}
		rep.Readings = &r
		mm := r.MedianMM
		if how == Missing {
			mm = rep.HeightMM - mm
		}
		if mm < 0 || mm > rep.HeightMM+1 {
			return unfit("%.2f mm were measured; the whole piece is %.2f mm high", r.MedianMM, rep.HeightMM)
		}
		rep.Heights = append(rep.Heights, HeightOf(how, layers, mm))
	}
	if q.Given != nil {
		rep.Heights = append(rep.Heights, HeightOf(Given, layers, *q.Given))
	}
	var err error
	rep.Trusted, rep.TrustedWhy, err = Trust(rep.Heights, q.NoPlastic)
	return err
}
