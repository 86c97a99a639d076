// Package reprint gives back most of what a failed print lost: from the original
// file it makes G-code of what is missing above a height, either re-based to a
// clean plate, to be joined to the good piece, or to go on in place; and it says
// which of these is worth it. Heights and lengths are millimetres, times seconds,
// temperatures degrees Celsius.
package reprint

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"undercroft/gcode/analyze"
)

// What can keep a remainder from being made. Errors wrap one of them.
var (
	ErrFile    = errors.New("the file cannot be cut")
	ErrRequest = errors.New("this cannot be asked for")
	ErrCheck   = errors.New("the remainder was made and did not stand the check; it is not given out")
)

// Options say what is wanted.
type Options struct {
	Name string // of the original file, for the remainder's first line
	// Good is how many layers of the piece are good: the first remaining layer is
	// the one after them.
	Good int
	// Object is which of the objects of a sequential print is meant, from 1 on;
	// 0 where there is one.
	Object int
	// Pieces names the pieces that are wanted of a plate of several; empty: all.
	Pieces []string
	// Skirt is how many loops of our own are laid around the first layer.
	Skirt int
	// At is where the middle of what is printed comes to lie; nil: where it was.
	At *[2]float64
	// InPlace plans for Continue: the piece stays where it is.
	InPlace bool
	// AsItWas leaves the first layer's speed, fan and temperatures as the file
	// had them at that height.
	AsItWas bool
	// Material is upper case; empty: as the file declares.
	Material string
	// Analyze is what the original was read with, and the remainder is checked
	// against.
	Analyze analyze.Options
}

// Remark is something that a person should know before printing a remainder.
type Remark struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Plan is a remainder that can be made, before it is written.
type Plan struct {
	o        Options
	res      *analyze.Result
	layers   []analyze.Layer // of the object that is meant
	objects  int
	first    int // the first remaining layer, in layers
	last     int // the last, in layers
	baseMM   float64
	move     [3]float64 // added to the file's coordinates
	survey   *survey
	skipOwn  bool // the start sequence's own prime lines are left out
	primes   bool // a prime line of ours is laid
	primeAt  [2]point
	spiral   bool
	inPlace  bool
	earlyMMs float64
	remarks  []Remark

	// BaseMM is the height above the plate of what is good: the remainder is
	// lowered by it.
	BaseMM float64
	// ThicknessMM is the first remaining layer's own thickness.
	ThicknessMM float64
	// Layers is how many layers remain.
	Layers int
	// Seam is how the first remaining layer lies on the last good one.
	Seam Seam
	// Below and First are the two layers seen from above.
	Below, First Footprint
	Remarks      []Remark
}

// objectRanges splits the layer table of a sequential print where it falls back
// to the plate.
func objectRanges(layers []analyze.Layer) [][2]int {
	var out [][2]int
	from := 0
	for i := 1; i < len(layers); i++ {
		if layers[i].TopMM < layers[i-1].TopMM {
			out = append(out, [2]int{from, i})
			from = i
		}
	}
	return append(out, [2]int{from, len(layers)})
}

func refuse(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrFile, fmt.Sprintf(format, args...))
}

func unfit(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrRequest, fmt.Sprintf(format, args...))
}

// NewPlan looks at the original, which res is the analysis of, and says whether
// and how the remainder can be made.
func NewPlan(src io.ReadSeeker, res *analyze.Result, o Options) (*Plan, error) {
	if err := sound(res); err != nil {
		return nil, err
	}
	p := &Plan{o: o, res: res, spiral: slices.Contains(res.Features, "spiral")}
	ranges := objectRanges(res.Layers)
	p.objects = len(ranges)
	object := o.Object
	switch {
	case len(ranges) == 1 && object == 0:
		object = 1
	case object == 0:
		return nil, refuse("%d objects are printed one after the other, and a height says nothing without the object it belongs to: say which, from 1 to %d in the order of printing", len(ranges), len(ranges))
	case object < 1 || object > len(ranges):
		return nil, unfit("object %d is asked for; the file prints %d", object, len(ranges))
	}
	p.layers = res.Layers[ranges[object-1][0]:ranges[object-1][1]]
	n := len(p.layers)
	switch {
	case o.Good <= 0:
		return nil, unfit("no layer is good: print it again, whole")
	case o.Good >= n:
		return nil, unfit("all %d layers are good: nothing is missing above %.2f mm", n, p.layers[n-1].TopMM)
	case o.Skirt < 0 || o.Skirt > 20:
		return nil, unfit("%d loops of skirt; from 0 to 20 can be laid", o.Skirt)
	}
	p.first, p.last = o.Good, n-1
	p.baseMM = p.layers[p.first].TopMM - p.layers[p.first].ThicknessMM
	if p.spiral && risesInto(p.layers, p.first) && !o.InPlace {
		return nil, refuse("it is one rising line (a spiral) at that height: its first turn would start at no thickness on the plate, and a turn that rises cannot be joined to a flat one; print it again, whole, or go on in place")
	}
	p.BaseMM, p.ThicknessMM, p.Layers = p.baseMM, p.layers[p.first].ThicknessMM, n-p.first
	if _, err := src.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	d := o.Analyze.FilamentMM
	if d <= 0 {
		d = 1.75
	}
	s, err := look(src, p.layers, p.first, math.Pi/4*d*d)
	if err != nil {
		return nil, err
	}
	p.survey = s
	if object > 1 {
		// What precedes this object belongs to others: only the true start is kept.
		if s, err = lookStart(src, res.Layers, s); err != nil {
			return nil, err
		}
	}
	p.Below, p.First = s.below, s.first
	p.Seam = seam(&p.Below, &p.First)
	p.earlyMMs = earlyMMs(p.material())
	if err := p.place(); err != nil {
		return nil, err
	}
	p.remark()
	p.Remarks = p.remarks
	return p, nil
}

// lookStart puts the start sequence of the whole file into the survey of a later
// object.
func lookStart(src io.ReadSeeker, layers []analyze.Layer, s *survey) (*survey, error) {
	if _, err := src.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	t, err := look(src, layers, 0, 1)
	if err != nil {
		return nil, err
	}
	s.startEnd, s.primeFrom, s.bareEnd, s.prime = t.startEnd, t.primeFrom, t.bareEnd, t.prime
	return s, nil
}

// sound refuses files that cannot be cut between two layers.
func sound(res *analyze.Result) error {
	for _, f := range res.Findings {
		if f.Severity == analyze.Refuse {
			return refuse("it would not be printed as it is (line %d: %s)", f.Line, f.Text)
		}
	}
	switch has := func(f string) bool { return slices.Contains(res.Features, f) }; {
	case len(res.Layers) == 0:
		return refuse("it lays no material")
	case has("non-planar"):
		return refuse("its lines rise and fall within a layer: there is no flat place to cut it at")
	}
	return nil
}

// risesInto reports whether a layer of a rising print is itself part of the rise.
func risesInto(layers []analyze.Layer, i int) bool {
	b := layers[i].Box
	return !b.Empty && b.Max[2]-b.Min[2] > 0.3*layers[i].ThicknessMM
}

func (p *Plan) material() string {
	if p.o.Material != "" {
		return p.o.Material
	}
	return p.res.Material
}

// earlyMMs is how fast the first layer on a plate is laid. Common practice, no
// source.
func earlyMMs(material string) float64 {
	switch {
	case strings.HasPrefix(material, "PLA"), strings.HasPrefix(material, "ABS"), strings.HasPrefix(material, "ASA"):
		return 25
	case strings.HasPrefix(material, "TPU"):
		return 15
	}
	return 20
}

const (
	primeClearMM = 3    // between a prime line and the piece
	nearPlateMM  = 3    // how high above the plate a prime line may still be in the way
	primeWideMM  = 0.6  // width of our prime line
	primeHighMM  = 0.25 // and its height
	primeLongMM  = 60
	skirtClearMM = 3
)

// box is where what is printed up to a height above its base lies in X and Y,
// after the move, in machine coordinates.
func (p *Plan) box(upToMM float64) analyze.Box {
	b := analyze.EmptyBox()
	for i := p.first; i <= p.last; i++ {
		l := &p.layers[i]
		if l.Box.Empty || l.TopMM-p.baseMM > upToMM {
			continue
		}
		for k := range 3 {
			b.Min[k], b.Max[k] = min(b.Min[k], l.Box.Min[k]+p.move[k]), max(b.Max[k], l.Box.Max[k]+p.move[k])
		}
		b.Empty = false
	}
	return b
}

// place settles where the remainder lies and where the nozzle is primed.
func (p *Plan) place() error {
	p.move = [3]float64{0, 0, -p.baseMM}
	if p.o.At != nil {
		b := p.box(math.Inf(1))
		p.move[0], p.move[1] = p.o.At[0]-(b.Min[0]+b.Max[0])/2, p.o.At[1]-(b.Min[1]+b.Max[1])/2
	}
	low := p.box(nearPlateMM)
	if p.o.Skirt > 0 {
		rim := skirtClearMM + float64(p.o.Skirt)*p.survey.bead
		for k := range 2 {
			low.Min[k] -= rim
			low.Max[k] += rim
		}
	}
	own := p.survey.prime
	if !own.Empty && own.Max[0] > low.Min[0]-primeClearMM && own.Min[0] < low.Max[0]+primeClearMM &&
		own.Max[1] > low.Min[1]-primeClearMM && own.Min[1] < low.Max[1]+primeClearMM {
		if p.survey.bareEnd == 0 || p.survey.startEnd > 0 && p.survey.primeFrom < p.survey.bareEnd {
			return refuse("its start sequence primes the nozzle where the remainder comes to lie (X %.1f to %.1f, Y %.1f to %.1f mm), between steps that are needed: move the remainder with --at", own.Min[0], own.Max[0], own.Min[1], own.Max[1])
		}
		p.skipOwn = true
	}
	if own.Empty && p.survey.primeFrom < 0 || p.skipOwn {
		at, ok := p.clearLine(low)
		if !ok {
			p.note("no-prime", "there is no room for a prime line beside the piece: the first centimetres may come out empty; a skirt (--skirt 2) primes the nozzle too")
			return nil
		}
		p.primes, p.primeAt = true, at
	}
	return nil
}

// clearLine finds a line of primeLongMM beside a box, within where the file goes
// anyway or the machine reaches.
func (p *Plan) clearLine(b analyze.Box) ([2]point, bool) {
	room := p.res.Reach
	if m := p.o.Analyze.Machine; m != nil && m.Volume != nil {
		room = *m.Volume
		for k := range 2 { // the volume may reach beyond the plate, alike on all sides
			beyond := max(0, -room.Min[k])
			room.Min[k] += beyond
			room.Max[k] -= beyond
		}
	}
	long := min(primeLongMM, room.Max[0]-room.Min[0]-2, room.Max[1]-room.Min[1]-2)
	if long < 20 {
		return [2]point{}, false
	}
	const off = primeClearMM + primeWideMM
	x0 := min(max(b.Min[0], room.Min[0]+1), room.Max[0]-1-long)
	y0 := min(max(b.Min[1], room.Min[1]+1), room.Max[1]-1-long)
	for _, c := range [4]struct {
		free float64
		a, b point
	}{
		{b.Min[1] - room.Min[1], point{x0, b.Min[1] - off}, point{x0 + long, b.Min[1] - off}},
		{b.Min[0] - room.Min[0], point{b.Min[0] - off, y0}, point{b.Min[0] - off, y0 + long}},
		{room.Max[0] - b.Max[0], point{b.Max[0] + off, y0}, point{b.Max[0] + off, y0 + long}},
		{room.Max[1] - b.Max[1], point{x0, b.Max[1] + off}, point{x0 + long, b.Max[1] + off}},
	} {
		if c.free >= off+1 {
			return [2]point{c.a, c.b}, true
		}
	}
	return [2]point{}, false
}

func (p *Plan) note(code, format string, args ...any) {
	p.remarks = append(p.remarks, Remark{code, fmt.Sprintf(format, args...)})
}
