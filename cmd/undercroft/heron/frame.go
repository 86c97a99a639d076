package heron

import (
	"math"
	"strconv"
)

// start writes what comes before the first layer: what the file is for, in the
// trade's words, then heat, homing and a prime line at the plate's edge.
func (s *slicer) start() {
	p, r := s.pen, s.r
	p.line("; ", s.part.Name)
	p.line("; part of: ", s.part.Assembly)
	p.line("; made for printers of kind: ", s.part.Kind)
	p.line("; material = ", s.part.Material)
	p.line("; nozzle diameter = ", decimal(s.part.NozzleMM), " mm")
	p.line("; layer height = ", decimal(s.part.LayerMM), " mm")
	p.line("; first layer height = ", decimal(r.firstLayerMM), " mm")
	p.line("; line width = ", decimal(s.beadMM), " mm")
	p.line("; layers = ", strconv.Itoa(s.layers))
	p.line("; walls = ", strconv.Itoa(r.walls))
	p.line("; filament diameter = ", decimal(filamentMM), " mm")
	if r.props {
		p.line("; support line width = ", decimal(s.part.NozzleMM/2), " mm")
	}
	p.line("G21 ; millimetres")
	p.line("G90 ; absolute places")
	if r.relativeE {
		p.line("M83 ; filament by distance")
	} else {
		p.line("M82 ; filament by place")
	}
	p.setFan(0)
	p.command("M140", 'S', r.firstBedC)
	p.command("M104", 'S', r.firstNozzleC-50)
	p.command("M190", 'S', r.firstBedC)
	p.line("G28 ; home")
	p.command("M109", 'S', r.firstNozzleC)
	p.buf = append(p.buf, "M204"...)
	p.word('P', int64(r.printAccelMMs2), 1)
	p.word('R', 1500, 1)
	p.word('T', int64(r.travelAccelMMs2), 1)
	p.end()
	p.line("G92 E0")

	// The prime line, at the front edge.
	p.z = -1
	p.hop = 5000
	p.toZ(0)
	p.hop = 0
	begin := point{-r.bedMM[0]/2 + 8, -r.bedMM[1]/2 + 4}
	p.travel(begin)
	p.toZ(r.firstLayerMM)
	area := beadAreaMM2(1.5*s.beadMM, r.firstLayerMM)
	p.lay(begin.plus(point{r.bedMM[0] * 0.4, 0}), area, int64(r.firstMMs*60))
	p.lay(begin.plus(point{r.bedMM[0] * 0.4, 0.9}), area, int64(r.firstMMs*60))
	p.zeroE()
}

// finish leaves the machine cold and the nozzle away from the part.
func (s *slicer) finish() {
	p, r := s.pen, s.r
	p.line("; end")
	p.retract()
	top := s.topMM(s.layers - 1)
	p.toZ(math.Min(top+15, r.bedMM[2]))
	p.setFan(0)
	p.line("M104 S0 ; nozzle off")
	p.line("M140 S0 ; bed off")
	p.travel(point{-r.bedMM[0]/2 + 10, r.bedMM[1]/2 - 10})
	p.line("M84 ; motors off")
}
