package watch

// Constant names something that takes a machine the same time in every file.
type Constant string

const (
	Homing    Constant = "homing"    // all axes
	Levelling Constant = "levelling" // probing the plate
)

// Plausible reports whether a machine can take that long: shorter was answered
// before it was done, longer had a person in it.
func (c Constant) Plausible(seconds float64) bool {
	longest := homeMaxS
	if c == Levelling {
		longest = probeMaxS
	}
	return seconds >= 1 && seconds <= longest
}
