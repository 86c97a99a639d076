package queue

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Code names an obstacle. Stable, kebab-case.
type Code string

const (
	CodeKind         Code = "kind"
	CodeTooLong      Code = "too-long"
	CodeOffBed       Code = "off-the-bed"
	CodeTooTall      Code = "too-tall"
	CodeNozzleHot    Code = "nozzle-too-hot"
	CodeBedHot       Code = "bed-too-hot"
	CodeOutOfService Code = "out-of-service"
	CodeAbsent       Code = "absent"
	CodeFaulted      Code = "faulted"
	CodeLent         Code = "lent"
	CodeNozzle       Code = "nozzle"
	CodeMaterial     Code = "material"
	CodeSpool        Code = "spool"
	CodeSurface      Code = "surface"
	CodePlate        Code = "plate"
	CodeSettling     Code = "settling"
	CodeBusy         Code = "busy"
	CodeCooling      Code = "cooling"
	CodeHours        Code = "hours-unanswered"
	CodeCold         Code = "cold-hours"
	CodePower        Code = "power"
	CodeHands        Code = "hands"
	CodeRecord       Code = "record"
	CodeRefused      Code = "refused-start"
	CodeByHand       Code = "by-hand"
	CodeOnlyOn       Code = "only-on"
	CodeNotOn        Code = "not-on"
	CodeColour       Code = "colour"
	CodeNotBefore    Code = "not-before"
	CodeFileGone     Code = "file-gone"
)

// Waits says who or what removes an obstacle.
type Waits string

const (
	ForNothing Waits = ""           // nothing will: the file or the machine is another
	ForPerson  Waits = "person"     // hands at the machine, or an answer
	ForPrinter Waits = "printer"    // the printer itself: its link, its heat, its present run
	ForPower   Waits = "power"      // watts on the circuit
	ForCold    Waits = "cold-hours" // the clock
	ForStart   Waits = "countdown"  // the minute after hands were at the machine
	ForDate    Waits = "date"       // the day before which it is not wanted
)

// Obstacle is one reason why a printer cannot take a job now.
type Obstacle struct {
	Code   Code
	Text   string // what stands in the way, in words and numbers
	Remedy string // what would remove it; empty when nothing can, or nothing has to
	Waits  Waits
}

// marginOfSpool is kept on the reel over what the file needs when the owner sets
// nothing else: the purge at a
// change, and the error of the estimate (common practice, no source).
const marginOfSpool = 0.05

// toleranceMM forgives the rounding of a slicer at the edge of a bed.
const toleranceMM = 0.05

// Eligible lists why a printer cannot take a job now, what lasts longest first.
// It may start when the list is empty.
func Eligible(j *Job, m *Machine, h *House) []Obstacle {
	c := checker{words: true}
	c.run(j, m, h)
	return c.list
}

// Suits is Eligible without the words: whether the list would be empty. It
// allocates nothing.
func Suits(j *Job, m *Machine, h *House) bool {
	var c checker
	return c.run(j, m, h)
}

// Cost weighs what Eligible would list, without the words: 0 when the printer
// may take the job now, little when time alone or another machine is in the way,
// more for hands, most for what nothing removes. It allocates nothing.
func Cost(j *Job, m *Machine, h *House) int {
	c := checker{count: true}
	c.run(j, m, h)
	return c.cost
}

// Could says whether the printer could ever take the job once hands, clock and
// fitting allow: kind, size and temperatures alone.
func Could(j *Job, m *Machine) bool {
	var c checker
	return c.forever(j, m)
}

// checker walks the rules. It lists what fails, or weighs it, or stops at the
// first.
type checker struct {
	words bool
	list  []Obstacle
	count bool
	cost  int
}

// no notes an obstacle and says whether the walk goes on.
func (c *checker) no(code Code, w Waits, text func() (string, string)) bool {
	if c.count {
		c.cost += weight(w)
		return true
	}
	if !c.words {
		return false
	}
	t, r := text()
	c.list = append(c.list, Obstacle{Code: code, Text: t, Remedy: r, Waits: w})
	return true
}

func (c *checker) run(j *Job, m *Machine, h *House) bool {
	if m.Kind == ByHand {
		return c.byHand(j, m, h)
	}
	return c.forever(j, m) && c.wished(j, m, h) && c.present(m) && c.fitted(j, m, h) && c.plate(m, h) && c.clock(j, h) && c.power(m)
}

// forever holds what no hand at the machine can change.
func (c *checker) forever(j *Job, m *Machine) bool {
	if j.Kind != m.Kind && !c.no(CodeKind, ForNothing, func() (string, string) {
		if j.Kind == ByHand {
			return "is made by hand, this is kind " + m.Kind, ""
		}
		return fmt.Sprintf("sliced for kind %s, this is %s", j.Kind, m.Kind), "slice it for " + m.Kind
	}) {
		return false
	}
	f := j.File
	off := false
	for axis := range 2 {
		size := f.MaxMM[axis] - f.MinMM[axis]
		if m.VolumeMM[axis] <= 0 {
			continue
		}
		if size > m.VolumeMM[axis]+toleranceMM {
			if !c.no(CodeTooLong, ForNothing, func() (string, string) {
				return fmt.Sprintf("%s mm long, the bed takes %s", num(size), num(m.VolumeMM[axis])),
					"a sliced file cannot be turned: slice it anew, turned or in two pieces"
			}) {
				return false
			}
			continue
		}
		low := -m.OriginMM[axis]
		high := low + m.VolumeMM[axis]
		if !off && (f.MinMM[axis] < low-toleranceMM || f.MaxMM[axis] > high+toleranceMM) {
			off = true
			if !c.no(CodeOffBed, ForNothing, func() (string, string) {
				return fmt.Sprintf("lies from %s to %s mm along %s, the bed from %s to %s", num(f.MinMM[axis]), num(f.MaxMM[axis]), "XY"[axis:axis+1], num(low), num(high)),
					"a sliced file cannot be moved: slice it for this bed"
			}) {
				return false
			}
		}
	}
	if m.VolumeMM[2] > 0 && f.HeightMM > m.VolumeMM[2]+toleranceMM && !c.no(CodeTooTall, ForNothing, func() (string, string) {
		return fmt.Sprintf("%s mm tall, this printer reaches %s", num(f.HeightMM), num(m.VolumeMM[2])), "slice it anew, lying or in two pieces"
	}) {
		return false
	}
	if m.MaxNozzleC > 0 && f.NozzleC > m.MaxNozzleC && !c.no(CodeNozzleHot, ForNothing, func() (string, string) {
		return fmt.Sprintf("wants the nozzle at %s °C, the limit here is %s", num(f.NozzleC), num(m.MaxNozzleC)), "slice it cooler"
	}) {
		return false
	}
	return !(m.MaxBedC > 0 && f.BedC > m.MaxBedC) || c.no(CodeBedHot, ForNothing, func() (string, string) {
		return fmt.Sprintf("wants the bed at %s °C, the limit here is %s", num(f.BedC), num(m.MaxBedC)), "slice it cooler"
	})
}

// present holds whether the printer is there and free to be commanded.
func (c *checker) present(m *Machine) bool {
	if m.OutOfService != "" && !c.no(CodeOutOfService, ForPerson, func() (string, string) {
		return "out of service: " + m.OutOfService, "put " + m.Name + " back in service"
	}) {
		return false
	}
	switch {
	case m.Lent || m.Phase == "lent":
		return c.no(CodeLent, ForPerson, func() (string, string) {
			return "lent" + because(m.PhaseWhy), "take " + m.Name + " back"
		})
	case m.Phase == "absent":
		return c.no(CodeAbsent, ForPrinter, func() (string, string) {
			return "no link to " + m.Name + because(m.PhaseWhy), "look at its cable and its power"
		})
	case m.Phase == "faulted":
		return c.no(CodeFaulted, ForPerson, func() (string, string) {
			return "faulted" + because(m.PhaseWhy), "look at " + m.Name + " and clear the fault"
		})
	}
	return true
}

// fitted holds what a hand can change: nozzle, reel, sheet.
func (c *checker) fitted(j *Job, m *Machine, h *House) bool {
	if math.Abs(j.NozzleMM-m.NozzleMM) > 0.001 && !c.no(CodeNozzle, ForPerson, func() (string, string) {
		if m.NozzleMM == 0 {
			return fmt.Sprintf("needs %s mm nozzle, nobody has said which is fitted", num(j.NozzleMM)), "say which nozzle is fitted on " + m.Name
		}
		return fmt.Sprintf("needs %s mm nozzle, %s is fitted", num(j.NozzleMM), num(m.NozzleMM)), fmt.Sprintf("fit the %s mm nozzle on %s", num(j.NozzleMM), m.Name)
	}) {
		return false
	}
	if j.Material != m.Spool.Material {
		if !c.no(CodeMaterial, ForPerson, func() (string, string) {
			have := m.Spool.Material + " is loaded"
			if m.Spool.Material == "" {
				have = "nothing is loaded"
			}
			return "needs " + j.Material + ", " + have, "load " + j.Material + " on " + m.Name
		}) {
			return false
		}
	} else if j.Colour != "" && !strings.EqualFold(j.Colour, m.Spool.Colour) {
		if !c.no(CodeColour, ForPerson, func() (string, string) {
			have := m.Spool.Colour + " is loaded"
			if m.Spool.Colour == "" {
				have = "nobody has said which colour is loaded"
			}
			return "needs " + j.Colour + " " + j.Material + ", " + have, "load " + j.Colour + " " + j.Material + " on " + m.Name
		}) {
			return false
		}
	} else if !h.Stock.Warn && !m.Spool.Lasts(j.File, h.Stock.Share()) && !c.no(CodeSpool, ForPerson, func() (string, string) {
		need := m.Spool.NeedG(j.File) * (1 + h.Stock.Share())
		return fmt.Sprintf("needs %.0f g with a margin, %.0f g are left on the spool", math.Ceil(need), math.Max(0, math.Floor(*m.Spool.Grams))),
			"load a fuller spool of " + j.Material + " on " + m.Name
	}) {
		return false
	}
	return c.surface(j, m, h)
}

func (c *checker) surface(j *Job, m *Machine, h *House) bool {
	have := m.Plate.Surface
	switch {
	case m.Plate.State == PlateOff:
		return true // the plate rule says it
	case have == "" && (j.Surface != "" || h.Surfaces.For(j.Material) != nil):
		return c.no(CodeSurface, ForPerson, func() (string, string) {
			return "nobody has said which sheet is fitted", "say which sheet lies on " + m.Name
		})
	case j.Surface != "" && j.Surface != have:
		return c.no(CodeSurface, ForPerson, func() (string, string) {
			return fmt.Sprintf("wants a %s sheet, %s is fitted", j.Surface, have), fmt.Sprintf("fit a %s sheet on %s", j.Surface, m.Name)
		})
	case j.Surface == "" && !h.Surfaces.suits(j.Material, have):
		return c.no(CodeSurface, ForPerson, func() (string, string) {
			list := orList(h.Surfaces.For(j.Material))
			text := fmt.Sprintf("%s wants a %s sheet, %s is fitted", j.Material, list, have)
			if have == Smooth && fuses[j.Material] {
				text = fmt.Sprintf("%s fuses to smooth sheets, and smooth is fitted", j.Material)
			}
			return text, fmt.Sprintf("fit a %s sheet on %s", list, m.Name)
		})
	}
	return true
}

// plate holds whether the plate is free and the printer idle.
func (c *checker) plate(m *Machine, h *House) bool {
	switch {
	case m.RecordPending:
		if !c.no(CodeRecord, ForPrinter, func() (string, string) {
			return "the end of its last run is not on the disk yet", "look at the space and the health of the data folder's disk"
		}) {
			return false
		}
	case m.ClearingNow:
		if !c.no(CodeBusy, ForPrinter, func() (string, string) { return "its clearing routine runs", "" }) {
			return false
		}
	case m.BusyPart != "":
		if !c.no(CodeBusy, ForPrinter, func() (string, string) {
			if m.BusyUntil.IsZero() {
				return "busy with " + m.BusyPart, ""
			}
			return "busy with " + m.BusyPart + " until " + Clock(m.BusyUntil, h.Now), ""
		}) {
			return false
		}
	default:
		switch m.Plate.State {
		case PlateClear:
		case PlateOccupied:
			if !c.no(CodePlate, ForPerson, func() (string, string) {
				return "the plate is not clear" + because(m.Plate.Why), "clear " + m.Name + " and say so"
			}) {
				return false
			}
		case PlateOff:
			if !c.no(CodePlate, ForPerson, func() (string, string) {
				return "no sheet is seated on the plate", "fit the sheet on " + m.Name + " and say that it is clear"
			}) {
				return false
			}
		default:
			if !c.no(CodePlate, ForPerson, func() (string, string) {
				return "nobody has said whether the plate is clear" + because(m.Plate.Why), "look at " + m.Name + " and say that it is clear"
			}) {
				return false
			}
		}
		switch m.Phase {
		case "settling":
			if !c.no(CodeSettling, ForPrinter, func() (string, string) { return "settling" + because(m.PhaseWhy), "" }) {
				return false
			}
		case "cooling":
			// Once the plate was cleared, warmth keeps nothing from starting.
			if m.Plate.State != PlateClear && !c.no(CodeCooling, ForPrinter, func() (string, string) { return "still cooling" + because(m.PhaseWhy), "" }) {
				return false
			}
		case "warming", "printing", "paused":
			if !c.no(CodeBusy, ForPrinter, func() (string, string) { return "busy: " + m.Phase, "" }) {
				return false
			}
		}
	}
	return !m.StartsAt.After(h.Now) || c.no(CodeHands, ForStart, func() (string, string) {
		return "hands were at the machine; nothing starts before " + clockS(m.StartsAt), ""
	})
}

// clock holds the hours.
func (c *checker) clock(j *Job, h *House) bool {
	if !h.Answered {
		return c.no(CodeHours, ForPerson, func() (string, string) {
			return "nobody has said yet when the house is cold and when somebody is home", "answer both, 'none' included"
		})
	}
	if h.ColdNow {
		return c.no(CodeCold, ForCold, func() (string, string) {
			if h.ColdEnds.IsZero() {
				return "cold hours without an end", "change the cold hours"
			}
			return "cold hours until " + Clock(h.ColdEnds, h.Now), ""
		})
	}
	if h.NextCold.IsZero() {
		return true
	}
	end := h.Now.Add(time.Duration(j.File.EstimateS * float64(time.Second)))
	return !end.After(h.NextCold) || c.no(CodeCold, ForCold, func() (string, string) {
		return fmt.Sprintf("would run until about %s, cold hours begin at %s", Clock(end, h.Now), Clock(h.NextCold, h.Now)),
			"change the cold hours, or make the piece shorter"
	})
}

// power holds the circuit's answer to a heat-up, as fleet/power words it.
func (c *checker) power(m *Machine) bool {
	switch {
	case m.PowerNo == "":
		return true
	case m.PowerNever:
		return c.no(CodePower, ForNothing, func() (string, string) { return m.PowerNo, "put " + m.Name + " on another circuit" })
	}
	return c.no(CodePower, ForPower, func() (string, string) { return m.PowerNo, "" })
}

// wished holds what a person has said of the job: where, and from which day.
func (c *checker) wished(j *Job, m *Machine, h *House) bool {
	if j.FileGone && !c.no(CodeFileGone, ForPerson, func() (string, string) {
		return "the file " + j.FileName + " is gone from the data folder", "add " + j.FileName + " again"
	}) {
		return false
	}
	if len(j.OnlyOn) > 0 && !slices.Contains(j.OnlyOn, m.Name) && !c.no(CodeOnlyOn, ForPerson, func() (string, string) {
		return "is to run only on " + orList(j.OnlyOn), fmt.Sprintf("undercroft only-on %d %s", j.ID, quoted(m.Name))
	}) {
		return false
	}
	if slices.Contains(j.NotOn, m.Name) && !c.no(CodeNotOn, ForPerson, func() (string, string) {
		return "is not to run on " + m.Name, fmt.Sprintf("undercroft move %d %s", j.ID, quoted(m.Name))
	}) {
		return false
	}
	return !j.NotBefore.After(h.Now) || c.no(CodeNotBefore, ForDate, func() (string, string) {
		return "not before " + Clock(j.NotBefore, h.Now), "change the date of its part or build"
	})
}

// byHand holds a printer without a link: it takes what a person puts on it.
func (c *checker) byHand(j *Job, m *Machine, h *House) bool {
	if !c.wished(j, m, h) {
		return false
	}
	if m.OutOfService != "" && !c.no(CodeOutOfService, ForPerson, func() (string, string) {
		return "out of service: " + m.OutOfService, "put " + m.Name + " back in service"
	}) {
		return false
	}
	if m.BusyPart != "" {
		return c.no(CodeBusy, ForPerson, func() (string, string) {
			return "busy with " + m.BusyPart, "when it has ended: undercroft end " + strconv.FormatInt(m.Plate.JobID, 10)
		})
	}
	return c.no(CodeByHand, ForPerson, func() (string, string) {
		return "a person starts it here", fmt.Sprintf("undercroft begin %d --on %s", j.ID, quoted(m.Name))
	})
}

// quoted makes a name one word of a command line.
func quoted(name string) string {
	if strings.ContainsAny(name, " '\"\\$&()<>|;*?#~") {
		return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
	}
	return name
}

func weight(w Waits) int {
	switch w {
	case ForNothing:
		return 10000
	case ForPerson:
		return 100
	case ForCold, ForDate:
		return 10
	}
	return 1
}

// num writes a number as a person would: no more than two decimals, no zeros at
// the end.
func num(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100+0, 'f', -1, 64)
}

func because(why string) string {
	if why = strings.TrimSpace(why); why == "" {
		return ""
	}
	return ": " + strings.TrimSuffix(why, ".")
}

// Clock names an instant as briefly as is clear from now.
func Clock(t, now time.Time) string {
	t = t.In(now.Location())
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	if d := t.Sub(now); d > 0 && d < 6*24*time.Hour {
		return t.Format("Mon 15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

func clockS(t time.Time) string { return t.Format("15:04:05") }
