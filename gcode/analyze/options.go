package analyze

import "undercroft/gcode/motion"

// Options say what a file is read against.
type Options struct {
	// Limits are the machine's; the zero value stands for motion.Default.
	Limits motion.Limits
	// Machine is what the file is checked against; nil: no such checks.
	Machine *Machine
	// FilamentMM is the filament's diameter, 1.75 where 0.
	FilamentMM float64
	// DensityGCM3 is the material's density; 0: taken from the declared material.
	DensityGCM3 float64
	// HeatS gives the seconds that a heater takes between two temperatures in
	// degrees Celsius; nil: DefaultHeatS. Only called with to above from, from
	// another goroutine.
	HeatS func(h Heater, from, to float64) float64
	// HomingS and LevellingS are the seconds of G28 of all axes and of G29; 0 stands
	// for 20 and 60.
	HomingS, LevellingS float64
	// Views asks for silhouettes.
	Views bool
	// AllowCodes are commands that are refused unless they are named here, such
	// as M500.
	AllowCodes []string
}

// Machine is the machine that a file is checked against. A zero field is not
// checked.
type Machine struct {
	Volume      *Box // what the nozzle may reach
	MaxNozzleC  float64
	MaxBedC     float64
	MaxChamberC float64
	Tools       int
	// MinExtrudeC is the nozzle temperature under which firmware refuses to
	// extrude; 0 stands for 170.
	MinExtrudeC float64
	// MaxFlowMM3s is what the hotend can melt.
	MaxFlowMM3s float64
}

// Heater names a heater for a thermal model.
type Heater int

// The heaters.
const (
	HeatNozzle Heater = iota
	HeatBed
	HeatChamber
)
