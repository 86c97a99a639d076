package queue

import (
	"fmt"
	"time"
)

// PlateState says what is known of a printer's plate. It is kept apart from the
// printer's phase and kept over restarts.
type PlateState string

const (
	// PlateClear: a person, or the owner's clearing routine, has cleared it. Exits:
	// PlateOccupied in the transaction that starts a run; PlateOff or
	// PlateUnknown by a person, after lending, or when the printer restarted by
	// itself. When the daemon dies here with no run open it is still clear.
	PlateClear PlateState = "clear"
	// PlateOccupied: something lies on it. Exits: PlateClear by a person's answer
	// or a finished clearing routine. When the daemon dies here, in a run or
	// after it, it is still occupied.
	PlateOccupied PlateState = "occupied"
	// PlateOff: no sheet is fitted, or it is not seated. Exit: PlateClear by a
	// person. Kept when the daemon dies.
	PlateOff PlateState = "off"
	// PlateUnknown: nobody has said, as on a new printer. Exit: PlateClear or
	// PlateOff by a person. Kept when the daemon dies.
	PlateUnknown PlateState = "unknown"
)

// Plate is what is known of one printer's plate.
type Plate struct {
	State   PlateState
	Surface string // "smooth", "textured", … or the owner's own word; empty while unknown
	JobID   int64  // what lies on it, 0 when that is not known
	RunID   int64
	Pieces  []Piece // what that run makes; shared, never changed
	Since   time.Time
	Why     string // why it is not clear, in words, when no finished run is the reason
	// Person is set when only a person may clear it: after a mishap, a reboot, a
	// first connection, lending.
	Person bool
}

// Facts is what changes by hand on a printer and is kept over restarts.
type Facts struct {
	Name           string
	NozzleMM       float64 // 0 while unknown
	Spool          Spool   // loaded; its zero value: nothing is
	Plate          Plate
	OutOfService   string // the reason, empty when in service
	Lent           bool
	Changed        string // what hands changed since a first layer was last found good; empty: nothing
	ClearingsInRow int    // clearing routines started since a person last cleared the plate
}

// Machine is everything that eligibility must know of a printer.
type Machine struct {
	Facts

	// From the configuration.
	Kind          string // ByHand: it has no link, a person starts and ends its jobs
	VolumeMM      [3]float64
	OriginMM      [2]float64 // where X0 Y0 lies from the bed's front left corner
	MaxNozzleC    float64    // 0: no limit is known
	MaxBedC       float64
	Circuit       string    // empty: on none
	Clearing      string    // G-code of the owner's clearing routine, empty when there is none
	MaxClearings  int       // routines in a row without a person; 0 counts as 1
	PowerNo       string    // why its circuit cannot carry a heat-up now, empty when it can
	PowerNever    bool      // not even on an otherwise idle circuit
	Phase         string    // the fleet's word
	PhaseWhy      string    // the fleet's words on it
	BusyPart      string    // what it prints
	BusyUntil     time.Time // when that ends, zero while unknown
	StartsAt      time.Time // counting down after hands were at the machine, until then nothing starts
	ClearingNow   bool      // the clearing routine runs
	RecordPending bool      // an outcome waits for the disk
}

// MayClearItself says whether the clearing routine may follow a finished run of
// this job, and when not, why.
func MayClearItself(j *Job, m *Machine) (bool, string) {
	limit := max(m.MaxClearings, 1)
	switch {
	case m.Clearing == "":
		return false, m.Name + " has no clearing routine"
	case !j.ClearsSelf:
		return false, "the file is not marked for the clearing routine"
	case m.Plate.Person:
		return false, "only a person may clear it now"
	case m.ClearingsInRow >= limit:
		return false, fmt.Sprintf("the routine has cleared %s since a person last looked, the owner allows %d in a row", times(m.ClearingsInRow), limit)
	}
	return true, ""
}

// Question is what a person is asked at the plate now; empty when nothing is.
func Question(m *Machine, j *Job) string {
	p := &m.Plate
	if m.Kind == ByHand && p.State != PlateOccupied {
		return "" // its plate is the business of whoever works it
	}
	switch p.State {
	case PlateOccupied:
		if m.BusyPart != "" || m.ClearingNow {
			return ""
		}
		if j == nil {
			return "Something lies on the plate of " + m.Name + ". Is it empty now, and does the sheet lie as it should?"
		}
		if j.State == AwaitsYield && j.Pieces > 1 {
			return fmt.Sprintf("%s lies on %s. How many of its %d pieces are good, is the plate empty, and does the sheet lie as it should?", j.Part, m.Name, j.Pieces)
		}
		if j.State == AwaitsYield {
			return fmt.Sprintf("%s lies on %s. Is it good, is the plate empty, and does the sheet lie as it should?", j.Part, m.Name)
		}
		return fmt.Sprintf("What there is of %s lies on %s. Is the plate empty now, and does the sheet lie as it should?", j.Part, m.Name)
	case PlateOff:
		return "Is the sheet of " + m.Name + " fitted and seated, and the plate empty?"
	case PlateUnknown:
		return "Is the plate of " + m.Name + " empty, and does the sheet lie as it should? Which sheet is it?"
	}
	return ""
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
