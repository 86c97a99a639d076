// Package motion computes how long a printer's firmware takes for its moves: a
// look-ahead planner with trapezoidal speed profiles, after the rules that
// RepRap-dialect firmware uses.
package motion

// Axis indices of every four-element array in this package.
const (
	X = iota
	Y
	Z
	E
)

// Limits are what the firmware holds the machine to. Arrays are X, Y, Z, E;
// millimetres and seconds throughout (E in millimetres of filament).
type Limits struct {
	MaxFeedMMs     [4]float64 // M203
	MaxAccelMMs2   [4]float64 // M201
	AccelPrintMMs2 float64    // M204 P: moves in which E and another axis move
	// AccelRetractMMs2 is M204 R: moves of E alone.
	AccelRetractMMs2 float64
	// AccelTravelMMs2 is M204 T: moves without E.
	AccelTravelMMs2 float64
	// JunctionDeviationMM above zero selects the junction deviation model for
	// corners; zero selects per-axis jerk.
	JunctionDeviationMM float64
	JerkMMs             [4]float64 // M205 X Y Z E, used when JunctionDeviationMM is 0
	MinFeedMMs          float64    // M205 S
	MinTravelFeedMMs    float64    // M205 T
	MinSegmentMS        float64    // M205 B / 1000: shorter segments are slowed when the queue runs low
	StepsPerMM          [4]float64 // M92
}
