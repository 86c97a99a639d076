package reprint

import (
	"fmt"
	"io"
	"strings"

	"undercroft/gcode/analyze"
)

// Standing is what is known of a piece that is still on its plate.
type Standing struct {
	Rebooted  bool    // the firmware started anew since the run ended
	MotorsOff bool    // or it may have been, or the axis was moved: Z may have moved
	BedC      float64 // now; 0: not known
	PrintBedC float64 // what the print held
	// Reason overrides what speaks against it. It is recorded.
	Reason string
}

// coldPlateC is how far the plate may have cooled below what the print held
// before a piece is taken to have come loose ("a cooled piece loosens"; the
// figure is common practice, no source).
const coldPlateC = 15

// Against lists what speaks against going on in place.
func (s Standing) Against() []string {
	var out []string
	if s.Rebooted {
		out = append(out, "the firmware started anew: its motors let go, and it no longer knows where they stand")
	}
	if s.MotorsOff {
		out = append(out, "the motors were or may have been off: Z may have sunk")
	}
	switch {
	case s.PrintBedC <= 0:
	case s.BedC == 0:
		out = append(out, "nobody knows how warm the plate is: a cooled piece loosens")
	case s.BedC < s.PrintBedC-coldPlateC:
		out = append(out, fmt.Sprintf("the plate is at %.0f °C and held %.0f °C while printing: a cooled piece loosens", s.BedC, s.PrintBedC))
	}
	return out
}

// Checks are what a person must have seen before going on in place.
func Checks(topMM float64) []string {
	return []string{
		"the piece is fast: it does not give when pushed at its top",
		"nothing has moved: plate, clamps, belts",
		"the nozzle is clean, and nothing stands higher than the last good layer",
		fmt.Sprintf("the nozzle was lowered by hand over the piece until a sheet of paper drags: that is %.2f mm, and the print takes it as that", topMM),
		"you stay beside it for the first layers, with a hand on the switch",
	}
}

const (
	placeLiftMM  = 10
	placePrimeMM = 20 // mm of filament, pushed out beside the piece
)

// Continue writes G-code that goes on where the piece stands, with the same
// check as a remainder. It homes X and Y only, at a height that clears the piece,
// and never Z: the height is set from the record, with the nozzle put on the
// piece's top by a person.
func (p *Plan) Continue(src io.ReadSeeker, out io.Writer, s Standing) (*Made, error) {
	if against := s.Against(); len(against) > 0 && strings.TrimSpace(s.Reason) == "" {
		return nil, refuse("it cannot go on in place: %s; override it with a reason, which is recorded", strings.Join(against, "; "))
	}
	if p.objects > 1 || len(p.o.Pieces) > 0 {
		return nil, refuse("it cannot go on in place: several pieces stand on the plate, and the head would have to pass between them")
	}
	if p.o.At != nil || p.o.Skirt > 0 {
		return nil, unfit("a piece that goes on in place is neither moved nor given a skirt")
	}
	q := *p
	q.o.AsItWas = true
	q.inPlace = true
	q.primes, q.skipOwn = false, false
	q.move = [3]float64{}
	return q.Write(src, out)
}

// primePlace is a corner of the file's reach that is clear of the piece, at the
// side of the homed corner.
func (p *Plan) primePlace() point {
	b := analyze.EmptyBox()
	for i := range p.layers {
		l := &p.layers[i].Box
		b.Min[0], b.Min[1] = min(b.Min[0], l.Min[0]), min(b.Min[1], l.Min[1])
	}
	return point{min(2, b.Min[0]-placeLiftMM), min(2, b.Min[1]-placeLiftMM)}
}

// beginInPlace writes what comes before going on, and gives the machine as it
// then stands.
func (w *writer) beginInPlace() {
	want := w.rd.m
	have := newMachine()
	for i := range have.homed {
		have.homed[i] = true
	}
	have.relE = true
	have.needTool(want.tool)
	have.tool = want.tool
	top := w.p.baseMM
	w.say("G21")
	w.say("G90")
	w.say("M83")
	if want.tool != 0 {
		w.emit(fmt.Sprintf("T%d", want.tool))
	}
	w.emit("G92", word{'Z', top})
	w.emit("M140", word{'S', want.bedC})
	w.emit("G1", word{'Z', top + placeLiftMM}, word{'F', 300})
	w.say("G28 X Y")
	at := w.p.primePlace()
	w.emit("G0", word{'X', max(0, at[0])}, word{'Y', max(0, at[1])}, word{'F', travelFeed})
	if want.bedC > 0 {
		w.emit("M190", word{'S', want.bedC})
	}
	w.emit("M109", w.toolWords(want, want.tool, want.tools[want.tool].targetC)...)
	have.bedC, have.chamberC = want.bedC, want.chamberC
	for i := range want.tools {
		have.needTool(i).targetC = 0
	}
	have.tools[want.tool].targetC = want.tools[want.tool].targetC
	w.emit("G1", word{'E', placePrimeMM}, word{'F', 120})
	have.pos = [3]float64{max(0, at[0]), max(0, at[1]), top + placeLiftMM}
	w.have = have
	w.started = have.clone()
	w.topMM = top + placeLiftMM - liftMM
}
