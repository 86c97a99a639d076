package sim

import (
	"fmt"
	"time"
)

// HeaterState is one heater as it is, not as it is reported.
type HeaterState struct {
	Name    string // "T0", "B"
	ActualC float64
	TargetC float64
	Duty    float64 // 0…1: what the firmware drives it with
}

// Truth is the state of the machine itself.
type Truth struct {
	At       time.Duration // virtual time
	Position [4]float64    // X Y Z E of the nozzle now, mm, as the commands count
	// HighestExtrudedZ is the highest Z, in mm, at which a move that laid filament
	// was done since Z was last homed.
	HighestExtrudedZ float64
	Heaters          []HeaterState
	FilamentMM       float64 // net travel of the filament since the start, mm
	DrawnMM          float64 // the furthest that it ever was: what left the spool
	Commands         int64   // executed
	Boots            int
	Halted           bool
	LastNumber       int64
	Faults           FaultCount
}

// Truth looks at the machine.
func (p *Printer) Truth() (t Truth) {
	p.ask(func(b *board) { t = b.truth() })
	return t
}

// Heaters looks at the heaters.
func (p *Printer) Heaters() []HeaterState { return p.Truth().Heaters }

func (b *board) truth() Truth {
	t := Truth{
		At: b.now, Position: b.steps.where(b.rest, b.now), HighestExtrudedZ: b.highestZ,
		FilamentMM: b.filament, DrawnMM: b.drawn, Commands: b.commands, Boots: b.boots,
		Halted: b.end == halted, LastNumber: b.lastN, Faults: b.faultCount(),
	}
	for i, name := range [2]string{"T0", "B"} {
		h := &b.heat[i]
		t.Heaters = append(t.Heaters, HeaterState{Name: name, ActualC: h.massC, TargetC: h.targetC, Duty: h.duty})
	}
	return t
}

// String is the form that ends a trace: words and values in pairs.
func (t Truth) String() string {
	s := fmt.Sprintf("x %.3f y %.3f z %.3f e %.3f highest-extruded-z %.3f filament-mm %.3f drawn-mm %.3f commands %d boots %d",
		t.Position[0], t.Position[1], t.Position[2], t.Position[3], t.HighestExtrudedZ, t.FilamentMM, t.DrawnMM, t.Commands, t.Boots)
	for _, h := range t.Heaters {
		s += fmt.Sprintf(" %s %.2f target %.2f", h.Name, h.ActualC, h.TargetC)
	}
	return s
}
