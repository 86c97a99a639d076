package heron

import (
	"math/rand/v2"
	"time"

	"undercroft/web"
)

// Person stands in for whoever looks after the cellar. It only decides; the
// demo does what it decides. The same seed, seen the same things, decides the
// same.
type Person struct {
	seed   uint64
	yields map[string]Mishap // bad yields, by part
	spools map[string]Printer
}

// Act is one thing that the person does at a printer. One of Cleared, Fit and
// Restart is set.
type Act struct {
	Printer string
	Due     time.Time // house time
	RunID   int64     // whose piece lies there, 0 when none does
	Cleared *web.Cleared
	Fit     *web.Fit
	// Restart: the printer has faulted; it is looked at, switched off and on, and
	// taken back.
	Restart bool
	// Look: the person is called to a first layer, and finds it good.
	Look bool
}

// NewPerson returns the person of a build.
func NewPerson(seed uint64, b Build) *Person {
	p := &Person{seed: seed, yields: map[string]Mishap{}, spools: map[string]Printer{}}
	for _, m := range b.Mishaps {
		if m.What == BadYield {
			p.yields[m.Part] = m
		}
	}
	for _, v := range b.Printers {
		p.spools[v.Name] = v
	}
	return p
}

// freshBelowG is when the person puts a new spool on between two prints.
const freshBelowG = 2000

// Acts says what the person is going to do, in the printers' order: to clear
// each plate that is asked about, and before that to change a spool that is
// nearly empty. What needs a decision about a job is left alone: a failed run's
// remains are taken off the plate, and its job stays as it is. Acts whose Due
// has passed at v.At are done at once; the rest wait, and are decided again from
// the next view.
func (p *Person) Acts(v web.View) []Act {
	var acts []Act
	for i := range v.Printers {
		if a, ok := p.at(&v, &v.Printers[i]); ok {
			acts = append(acts, a)
		}
	}
	return acts
}

func (p *Person) at(v *web.View, w *web.Printer) (Act, bool) {
	if v.Hours.Answered && v.Hours.Home != "none" && !v.Hours.HomeNow {
		return Act{}, false // asleep or out; asked again when they are back
	}
	if w.Phase == "faulted" {
		return Act{Printer: w.Name, RunID: w.Plate.RunID, Due: w.PhaseSince.Add(p.walk(w)), Restart: true}, true
	}
	if r := w.Run; r != nil && r.Eyes == "asked" && r.EyesAt != nil {
		return Act{Printer: w.Name, RunID: r.ID, Due: r.EyesAt.Add(p.walk(w)), Look: true}, true
	}
	if w.Run != nil || w.Plate.Question == "" || w.OutOf != "" {
		return Act{}, false
	}
	a := Act{Printer: w.Name, RunID: w.Plate.RunID, Due: w.Plate.Since.Add(p.walk(w))}
	if s, known := p.spools[w.Name]; known && w.Spool.Grams < freshBelowG {
		grams := s.Grams
		a.Fit = &web.Fit{Material: &s.Material, Colour: &s.Colour, Grams: &grams}
		return a, true
	}
	a.Cleared = p.cleared(v, w)
	return a, true
}

// walk is how long the person takes to come: most times they are near, now and
// then they are at supper.
func (p *Person) walk(w *web.Printer) time.Duration {
	if w.Plate.RunID == 0 {
		return 0 // the first round through the cellar
	}
	r := p.dice(w.Plate.RunID)
	if r.IntN(8) == 0 {
		return time.Duration(30+r.IntN(40)) * time.Minute
	}
	return time.Duration(2+r.IntN(10)) * time.Minute
}

// cleared is the person's answer: the sheet is the same and seated, and the
// pieces are good, but for those that the build says are not.
func (p *Person) cleared(v *web.View, w *web.Printer) *web.Cleared {
	c := &web.Cleared{Empty: true, Seated: true, Surface: w.Plate.Surface}
	if c.Surface == "" {
		c.Surface = p.spools[w.Name].Surface
	}
	if !awaitsYield(v, w.Plate.JobID) {
		return c // what a failed run left is only taken off
	}
	good := max(1, w.Plate.Pieces)
	if m, bad := p.yields[w.Plate.Part]; bad {
		good = m.Good
		from := m.BadFromMM
		c.BadFrom = &from
	}
	c.Good = &good
	return c
}

// awaitsYield reports whether a finished job's pieces wait to be looked at.
func awaitsYield(v *web.View, jobID int64) bool {
	for i := range v.Jobs {
		if v.Jobs[i].ID == jobID {
			return v.Jobs[i].State == "awaits-yield"
		}
	}
	return false
}

// dice are thrown for a run, always the same for the same run.
func (p *Person) dice(runID int64) *rand.Rand {
	return rand.New(rand.NewPCG(p.seed, uint64(runID)))
}
