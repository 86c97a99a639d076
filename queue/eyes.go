package queue

import "strings"

// Eyes says how far the look at a run's first layer has come. The print goes on
// meanwhile.
type Eyes string

const (
	// EyesNone: nobody is called.
	EyesNone Eyes = ""
	// EyesWanted: a person is called once the first layer is down. Exits: EyesAsked;
	// it stays when the run ends before.
	EyesWanted Eyes = "wanted"
	// EyesAsked: the layer is down and nobody has looked yet. Exits: EyesGood and
	// EyesStop by a person; it stays when the run ends unseen, the daemon's death
	// included, and the next run is looked at instead.
	EyesAsked Eyes = "asked"
	// EyesGood: a person found the layer good. No exit.
	EyesGood Eyes = "good"
	// EyesStop: a person stopped the run for it. No exit.
	EyesStop Eyes = "stop"
)

// EyesFor says why a person is to look at a run's first layer; empty: nobody
// need. seen: a run of the file has got past its first layer before.
func EyesFor(seen bool, f *Facts) string {
	var why []string
	if !seen {
		why = append(why, "the file's first run")
	}
	if f.Changed != "" {
		why = append(why, "the first since "+f.Changed)
	}
	return strings.Join(why, ", ")
}
