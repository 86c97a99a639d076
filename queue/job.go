// Package queue holds the rules of the queue and nothing that does I/O: what a
// job, a run, a plate and a spool are, which state may follow which, and why a
// printer cannot take a job now. Lengths are millimetres, masses grams, times
// seconds, temperatures degrees Celsius.
package queue

import (
	"fmt"
	"slices"
	"time"
)

// JobState is where a job stands.
type JobState string

const (
	// Queued: wanted, and free to start. Exits: OnHold by a person; Running when
	// the dispatcher gives it to a printer; Cancelled by a person. When the
	// daemon dies here it is still Queued afterwards.
	Queued JobState = "queued"
	// OnHold: wanted, but a person holds it, or its file is gone. Exits: Queued by
	// release; Cancelled. When the daemon dies here it is still OnHold.
	OnHold JobState = "on-hold"
	// Running: a printer has it. Exits: AwaitsYield when the run finished;
	// NeedsDecision when it failed, was stopped or was interrupted; Cancelled
	// when a person cancelled it in mid-print; Queued only when the printer
	// refused the start before anything was sent, OnHold when before that its file
	// was gone or a person called the start off. When the daemon died here it
	// becomes NeedsDecision at the next start: nothing resumes by itself.
	Running JobState = "running"
	// AwaitsYield: the run finished, nobody has said yet what is good. Exits:
	// Done; NeedsDecision when pieces are bad. When the daemon dies here it
	// still awaits its yield.
	AwaitsYield JobState = "awaits-yield"
	// NeedsDecision: the last run was a mishap. Exits: Queued (again) or Cancelled
	// (given up), both by a person only. When the daemon dies here it waits on.
	NeedsDecision JobState = "needs-decision"
	// Done: every piece that the file yields was found good. No exit.
	Done JobState = "done"
	// Cancelled: no longer wanted. No exit.
	Cancelled JobState = "cancelled"
)

// JobStates lists every state, in the order of a job's life.
var JobStates = []JobState{Queued, OnHold, Running, AwaitsYield, NeedsDecision, Done, Cancelled}

// jobMoves is the only place that says which state may follow which.
var jobMoves = map[JobState][]JobState{
	Queued:        {OnHold, Running, Cancelled},
	OnHold:        {Queued, Cancelled},
	Running:       {AwaitsYield, NeedsDecision, Cancelled, Queued, OnHold},
	AwaitsYield:   {Done, NeedsDecision},
	NeedsDecision: {Queued, Cancelled},
}

// CanMove says whether a job may go from one state to the other.
func CanMove(from, to JobState) bool { return slices.Contains(jobMoves[from], to) }

// CheckMove is CanMove with an error for a person, wrapping ErrConflict.
func CheckMove(jobID int64, from, to JobState) error {
	if CanMove(from, to) {
		return nil
	}
	return fmt.Errorf("job %d is %s and cannot become %s: %w", jobID, from, to, ErrConflict)
}

// Live says whether a job in this state still wants something.
func (s JobState) Live() bool { return s != Done && s != Cancelled }

// Job is one wanted print of one file.
type Job struct {
	ID         int64
	State      JobState
	File       *File // shared by all jobs of the same content; never nil, never changed
	FileName   string
	Part       string // what it makes, in words: the part's name, or that of a plate of many
	Assembly   string
	Kind       string // ByHand: a person starts and ends it
	NozzleMM   float64
	Material   string // upper case
	Colour     string // lower case; empty: it does not matter
	Surface    string // wanted plate surface; empty: by material
	Pieces     int    // pieces that one print yields: the sum of Yields
	ClearsSelf bool   // may use the printer's clearing routine
	AddedAt    time.Time
	ChangedAt  time.Time
	Note       string // why it is held or what is to be decided
	Printer    string // where it runs or lies; empty otherwise
	RunID      int64  // the run in hand or the last one; 0 before the first
	Runs       int    // tries so far
	Good       int    // good pieces found so far, over all runs

	PrintID int64   // what it prints; jobs of the same print share it
	BuildID int64   // LooseBuild when it belongs to none
	Build   string  // the build's name
	Way     string  // the name of the first yield's way
	Yields  []Yield // what one print makes; at least one, shared, never changed
	// Of the part of the first yield, its assembly and its build: the part's
	// priority, else the build's; the latest of their 'not before', the earliest
	// of their dates.
	Priority  Priority
	NotBefore time.Time
	Due       time.Time
	Order     int      // the place that a person gave it, from 1; 0: none
	OnlyOn    []string // printers that alone may take it; empty: any
	NotOn     []string // printers that may not
	// RemainderOf is the job whose piece this one completes; 0: it makes whole
	// pieces. Its pieces count once they are joined.
	RemainderOf int64
	FileGone    bool // its content was looked for and is not in the data folder; not stored
}

// File is what is known of a stored file.
type File struct {
	SHA256       string        `json:"sha256"`
	Name         string        `json:"name"` // as first added
	Bytes        int64         `json:"bytes"`
	Lines        int64         `json:"lines"`
	EstimateS    float64       `json:"estimate_s"`
	FilamentMM   float64       `json:"filament_mm"`
	MassG        float64       `json:"mass_g"`
	HeightMM     float64       `json:"height_mm"`
	LayerMM      float64       `json:"layer_mm"`
	LayerCount   int           `json:"layer_count"`
	MinMM        [3]float64    `json:"min_mm"` // extruded extents, machine coordinates
	MaxMM        [3]float64    `json:"max_mm"`
	NozzleC      float64       `json:"nozzle_c"` // hottest nozzle asked for
	BedC         float64       `json:"bed_c"`
	Declared     string        `json:"declared_material"`
	InferredMM   []float64     `json:"inferred_nozzle_mm"`
	DeclaredMM   float64       `json:"declared_nozzle_mm"`
	Outline      [][2]float64  `json:"outline"` // from the front: each height step in 0…1 of the widest
	Warnings     []FileWarning `json:"warnings,omitempty"`
	FilamentGPMM float64       `json:"filament_g_per_mm"` // grams in a millimetre of filament
	ByHand       bool          `json:"by_hand,omitempty"` // there is no content: a person makes it, time and mass are their word
}

// FileWarning is one remark of the analysis that did not stop the file.
type FileWarning struct {
	Code string `json:"code"`
	Line int64  `json:"line"`
	Text string `json:"text"`
}

// SizeMM is the extruded extent along each axis.
func (f *File) SizeMM() [3]float64 {
	var s [3]float64
	for i := range s {
		s[i] = f.MaxMM[i] - f.MinMM[i]
	}
	s[2] = f.HeightMM
	return s
}

// Run is one try of a job on one printer.
type Run struct {
	ID           int64
	JobID        int64
	Printer      string
	Try          int    // 1 for the job's first run
	Result       string // empty while open; then finished, failed, cancelled, interrupted, not-started
	Cause        string
	Text         string
	StartedAt    time.Time
	EndedAt      time.Time // zero while open
	EstimateS    float64
	NozzleMM     float64
	Material     string
	Colour       string
	Surface      string
	Line         int64
	LayersDone   int
	CompletedMM  float64
	InProgressMM float64
	FilamentMM   float64
	Grams        float64
	Commands     int64
	Resends      int64
	Good         *int // pieces found good; nil while nobody has said
	ClearedAt    time.Time
	ClearedBy    string // "person", "routine", empty before
	Eyes         Eyes   // on its first layer
	EyesWhy      string // why somebody is to look
	EyesAt       time.Time
}

// Mishap is a run that failed, was stopped or interrupted, or whose yield was bad.
type Mishap struct {
	ID           int64
	RunID        int64
	JobID        int64
	Printer      string
	Part         string
	Result       string // failed, interrupted, cancelled, bad-yield
	Cause        string
	Text         string
	At           time.Time
	Line         int64
	LayersDone   int
	CompletedMM  float64
	InProgressMM float64
	HeightMM     float64 // wanted
	GramsSpent   float64
	BadFromMM    *float64 // a person's word; nil when not said
	Heat         []HeatPoint
	Decided      string // "", "again", "given-up", "remainder"
	SHA256       string
}

// HeatPoint is one temperature report of the minutes before a mishap.
type HeatPoint struct {
	At      time.Time `json:"at"`
	Heaters []Heat    `json:"heaters"`
}

// Heat is one heater in a HeatPoint.
type Heat struct {
	Name    string  `json:"name"`
	ActualC float64 `json:"actual_c"`
	TargetC float64 `json:"target_c"`
}
