// Package fleet owns the printers: one goroutine a printer holds its link,
// moves it through its phases, watches it, and reports. It never hears of a
// job: it is given runs and a journal to write completed layers to.
package fleet

import (
	"io"
	"time"

	"undercroft/fleet/link"
)

// Spec is what does not change about a printer from day to day.
type Spec struct {
	Name        string
	Kind        string
	Path        string // serial device or other link path
	Baud        int
	WindowBytes int // bytes ahead of the last ok; 0 lets the link learn
	VolumeMM    [3]float64
	MaxNozzleC  float64
	MaxBedC     float64
	// ParkGCode is sent when a run was stopped or failed and the link still
	// answers; nil: pull back, lift off, go where a held run waits.
	ParkGCode []string
	EndGCode  []string // sent behind that: the owner's end of a run that did not finish
	Waiting   Waiting  // how a held run waits for a person
	// HostCalls are commands of a file that call for a person (M600, M0 …) and are
	// not sent: the run is held here in their place, whatever the firmware knows.
	HostCalls  []string
	CoolBelowC float64 // nozzle and bed below this end the cooling phase
	// StallAfter is the patience beyond what the commands on their way explain,
	// real time; 0: 3 minutes.
	StallAfter    time.Duration
	ReconnectWait time.Duration // first wait between attempts, grows to 30 s; 0: 1 s
	// RunoutFails is how long (house time) a firmware may wait for a person after
	// it ran out of filament before the run ends as failed; 0: it waits for ever.
	RunoutFails time.Duration
	// Lent: it was lent when the daemon last ended. Its port is not opened before
	// it is taken back, because opening resets many boards.
	Lent bool
}

// Waiting is how a run that is held waits for a person, and how it goes on. The
// zero value parks by itself and keeps the heat.
type Waiting struct {
	AtMM *[2]float64 // X Y where the nozzle waits; nil: the corner farthest from the piece
	// After CoolsAfter, house time, the targets are lowered to NozzleC and BedC;
	// nil keeps a target, 0 turns the heater off.
	CoolsAfter    time.Duration
	NozzleC, BedC *float64
	// Filament that is pushed out over the waiting place before the nozzle goes
	// back: after any hold, and after another reel was loaded.
	PrimeMM, PurgeMM float64
}

// Layer is what the fleet must know of a layer to record it.
type Layer struct {
	TopMM      float64
	EndLine    int64   // the layer is complete once every command up to this file line is executed
	EndS       float64 // estimated seconds from the start of the run to its end
	FilamentMM float64 // drawn from the spool up to its end, cumulative
}

// Run is one try to print a file.
type Run struct {
	ID        int64
	Label     string                        // for people and logs
	Open      func() (io.ReadCloser, error) // the file's bytes
	Layers    []Layer
	Lines     int64
	EstimateS float64
	HeightMM  float64
	MinMM     [2]float64 // X Y extents of what is laid; both zero: not known
	MaxMM     [2]float64
	Journal   Journal // nil: nothing is recorded
	// Routine marks the owner's own clearing G-code: no layers are expected.
	Routine bool
}

// LayerRecord says that a layer is certainly down.
type LayerRecord struct {
	RunID      int64
	Index      int // 0-based
	TopMM      float64
	Line       int64
	At         time.Time
	FilamentMM float64
	NozzleC    float64
	BedC       float64
}

// Journal takes layer records. Append never blocks; whoever gave the journal
// makes it durable and waits for it before recording the outcome.
type Journal interface {
	Append(LayerRecord)
}

// Result says how a run ended.
type Result string

const (
	Finished    Result = "finished"    // every command certainly executed
	Failed      Result = "failed"      // something broke; Cause says what
	Cancelled   Result = "cancelled"   // a person stopped it
	Interrupted Result = "interrupted" // the daemon was shut down
)

// Outcome is the end of a run. It is delivered exactly once for each started run.
type Outcome struct {
	RunID        int64
	Result       Result
	Cause        string // a link.Cause, a watch verdict, or the person's words
	Text         string // for a person: what happened, where, what to do
	StartedAt    time.Time
	EndedAt      time.Time
	Line         int64 // file line in hand at the end
	LayersDone   int
	CompletedMM  float64 // top of the last certainly completed layer, 0 when none
	InProgressMM float64 // top of the layer that was being laid, 0 when none
	FilamentMM   float64 // drawn up to the last certainly executed command, estimated by layer
	Commands     int64   // certainly executed
	Resends      int64
	Heat         []HeatSample // the last minutes, oldest first
}

// HeatSample is one temperature report.
type HeatSample struct {
	At      time.Time
	Heaters []link.Heater
}

// Phase is what a printer is doing. The table in phases.go says who may go where.
type Phase string

const (
	Absent   Phase = "absent"
	Settling Phase = "settling"
	Ready    Phase = "ready"
	Warming  Phase = "warming"
	Printing Phase = "printing"
	Paused   Phase = "paused"
	Cooling  Phase = "cooling"
	Lent     Phase = "lent"
	Faulted  Phase = "faulted"
)

// Snapshot is a copy of a printer's state for anyone who wants to look. Nobody
// changes it after it was published, so it may be kept and shared.
type Snapshot struct {
	Name     string
	Phase    Phase
	Since    time.Time // house time
	Why      string    // words: why it is in this phase, what would change it
	Link     link.State
	Boots    int // boots seen since the daemon started
	Run      *Progress
	LentBy   string    // "person" or "found out: …", when lent
	Warnings []Warning // what the watch finds wrong now, the gravest first
	Told     string    // the last notification that the machine sent for a person
	Hold     *Held     // why a run is held, in paused
}

// Held is a run that waits.
type Held struct {
	By       Holder
	Since    time.Time // house time
	Filament bool      // new filament is wanted: it ran out, or the file calls for another reel
	Step     HoldStep
	Cooled   bool     // its heat was lowered while it waits
	Asks     string   // what the firmware asks at its panel, empty when nothing
	Buttons  []string // and what it takes for an answer
}

// Holder is who holds a run.
type Holder string

const (
	ByFirmware Holder = "firmware" // it waits by itself and goes on by itself
	ByMachine  Holder = "machine"  // it asked for the hold
	ByPerson   Holder = "person"
	ByFile     Holder = "file" // a call in the file that is handled here
)

// HoldStep is what is being done about a held run.
type HoldStep string

const (
	StepWaits   HoldStep = "waits"
	StepParks   HoldStep = "parks"   // what was on its way is done, then the nozzle moves off the piece
	StepHeats   HoldStep = "heats"   // back to the temperatures that were
	StepReturns HoldStep = "returns" // primes, and moves back to the piece
)

// Warning is something that is wrong, or may be, without ending a run yet.
type Warning struct {
	Cause string // a watch cause
	Text  string
}

// Progress is a run as far as it is known.
type Progress struct {
	RunID        int64
	Label        string
	StartedAt    time.Time
	Line, Lines  int64
	LayersDone   int
	Layers       int
	CompletedMM  float64
	InProgressMM float64
	HeightMM     float64
	EstimateS    float64
	LeftS        float64   // estimated seconds left, corrected by what was seen so far
	EndsAt       time.Time // house time
	FilamentMM   float64
	Hot          bool // first targets were reached
}
