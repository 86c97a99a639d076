package analyze

// features are what the file was seen to use.
type features struct {
	arcs, splines, firmwareRetraction, absoluteE, relativeE, inches, relativeXYZ, tools bool
	modal, named, volumetric, pushed                                                    bool
}

// features puts what the file uses into words.
func (a *analysis) features() []string {
	s := a.slope
	spiral := s.all > 0 && s.up > 0.3*s.all && s.down < 0.01*s.all
	nonPlanar := a.nonPlanar()
	var out []string
	for _, f := range []struct {
		on   bool
		name string
	}{
		{a.seen.absoluteE, "absolute-e"},
		{a.seen.relativeE, "relative-e"},
		{a.seen.volumetric, "volumetric-e"},
		{a.seen.arcs, "arcs"},
		{a.seen.splines, "splines"},
		{a.seen.firmwareRetraction, "firmware-retraction"},
		{a.seen.inches, "inches"},
		{a.seen.modal, "modal-motion"},
		{a.seen.named, "named-commands"},
		{a.seen.tools, "tool-changes"},
		{a.waits(), "pause"},
		{a.opening.state == apart, "prime-lines"},
		{a.layers.sequential, "sequential-objects"},
		{spiral, "spiral"},
		{nonPlanar, "non-planar"},
		{s.up > 0 && !spiral && !nonPlanar, "ramps"},
		{a.layers.dips, "interleaved-heights"},
	} {
		if f.on {
			out = append(out, f.name)
		}
	}
	return out
}

// nonPlanar reports that material is laid in falling moves too.
func (a *analysis) nonPlanar() bool { return a.slope.all > 0 && a.slope.down >= 0.01*a.slope.all }

// waits reports that the file goes on behind a command that waits for a person;
// the same command at the end ends the program.
func (a *analysis) waits() bool {
	if a.stopLine == 0 {
		return false
	}
	for i := range a.layers.table {
		if a.layers.table[i].EndLine > a.stopLine {
			return true
		}
	}
	return false
}
