package analyze

import "math"

// modes is what stays in force from one command to the next.
type modes struct {
	pos   [3]float64 // in the file's coordinates, mm
	shift [3]float64 // the machine's coordinates less the file's
	e     float64    // the E of absolute extrusion, in the file's units times unit
	known [3]bool    // the axis has been homed or set

	homed            [3]bool
	relative         bool // G91
	relE             bool // M83
	eByG91           bool // G91 has made E relative until G90
	eDoubt           bool // a G90 since M83: some families take E as absolute from there on
	unit             float64
	splineP, splineQ float64 // of the last G5
	plane            int     // 17, 18, 19
	motion           int     // of lines without a command; -1 before any
	feed             float64
	speed            float64 // M220, 1 = as written
	flow             float64 // M221
	tool             int
	warm             bool // the nozzle's target is high enough to extrude

	filamentMM2 float64 // cross-section
	volumetric  bool    // M200: E in mm³

	retractMM, retractMMs, liftMM, recoverMM, recoverMMs float64
	retracted                                            bool
}

func startModes(filamentMM float64) modes {
	return modes{
		unit: 1, plane: 17, motion: -1, feed: 25, speed: 1, flow: 1,
		filamentMM2: math.Pi / 4 * filamentMM * filamentMM,
		retractMM:   3, retractMMs: 45, recoverMMs: 8,
	}
}

// takesRelativeE reports how E is read now. G91 makes E relative in some
// families and not in others; files that rely on it retract by a relative E
// between G91 and G90, and expect their own M82 or M83 to hold after it.
func (m *modes) takesRelativeE() bool { return m.relE || m.eByG91 }
