package queue

import "time"

// Ledger is all that is written down of one build, in the order in which it came.
type Ledger struct {
	Build      Build
	Assemblies []Assembly
	Parts      []Part
	Ways       []Way
	Prints     []Print // those that yield a part of the build
	Jobs       []Job   // whose first yield is a part of the build, the ended ones too
	Pieces     []Piece
	Runs       []Run // of Jobs, but for those that never began
}

// Count is how far a part, an assembly or a build is, in whole pieces: a piece of
// several sections counts when each of them does. Wanted is Good (as far as it is
// wanted) + OnPlate + Running + Waiting + Missing, and Spare is what is beyond.
type Count struct {
	Wanted  int `json:"wanted"`
	Good    int `json:"good"`     // never above Wanted
	OnPlate int `json:"on_plate"` // printed, and nobody has said yet whether good
	Running int `json:"running"`
	Waiting int `json:"waiting"` // a job is to make it: queued, on hold, or awaiting a decision
	Missing int `json:"missing"` // no job is to make it
	Spare   int `json:"spare"`   // good beyond what is wanted
	Failed  int `json:"failed"`  // things that did not become a piece, sections counted one by one
	Reopen  int `json:"reopened"`
}

// Progress is Count with machine time and filament. A run that makes several
// parts is shared between them by their number of things on the plate.
type Progress struct {
	Count
	HoursDone float64 `json:"hours_done"` // of ended runs, whatever became of them
	HoursLeft float64 `json:"hours_left"` // of what is wanted: running, waiting, missing
	GramsUsed float64 `json:"grams_used"`
	GramsLeft float64 `json:"grams_left"`
	// Unknown is how many of Missing nothing is known of: HoursLeft and GramsLeft
	// are without them.
	Unknown int `json:"unknown"`
}

// PartProgress is one part's.
type PartProgress struct {
	Part Part
	Progress
}

// AssemblyProgress is one assembly's, with its parts.
type AssemblyProgress struct {
	Assembly Assembly
	Progress
	Parts []PartProgress
}

// BuildProgress is a whole build's.
type BuildProgress struct {
	Build Build
	Progress
	Assemblies []AssemblyProgress
}

// stock counts the things of one part by where they stand, as sections by way.
type stock struct {
	good, plate, run, wait map[int64][]int // by way, then section
}

func (l *Ledger) wayOf() map[int64]*Way {
	m := make(map[int64]*Way, len(l.Ways))
	for i := range l.Ways {
		m[l.Ways[i].ID] = &l.Ways[i]
	}
	return m
}

// Progress works out how far the build is at an instant.
func (l *Ledger) Progress(now time.Time) BuildProgress {
	ways := l.wayOf()
	jobs := make(map[int64]*Job, len(l.Jobs))
	for i := range l.Jobs {
		jobs[l.Jobs[i].ID] = &l.Jobs[i]
	}
	stocks := make(map[int64]*stock, len(l.Parts))
	figures := make(map[int64]*Progress, len(l.Parts))
	for i := range l.Parts {
		p := &l.Parts[i]
		stocks[p.ID] = &stock{map[int64][]int{}, map[int64][]int{}, map[int64][]int{}, map[int64][]int{}}
		figures[p.ID] = &Progress{}
	}
	put := func(in map[int64][]int, way int64, section, n int) {
		w := ways[way]
		if w == nil {
			return
		}
		if in[way] == nil {
			in[way] = make([]int, max(len(w.Sections), section+1))
		}
		in[way][section] += n
	}
	for i := range l.Pieces {
		c := &l.Pieces[i]
		s, f := stocks[c.PartID], figures[c.PartID]
		if s == nil {
			continue
		}
		switch c.State {
		case PieceGood:
			put(s.good, c.WayID, c.Section, 1)
		case PieceFailed:
			f.Failed++
		case PieceReopened:
			f.Reopen++
		case PieceOpen:
			if j := jobs[c.JobID]; j != nil && j.State == AwaitsYield {
				put(s.plate, c.WayID, c.Section, 1)
			} else {
				put(s.run, c.WayID, c.Section, 1)
			}
		}
	}
	for i := range l.Jobs {
		j := &l.Jobs[i]
		if j.State != Queued && j.State != OnHold && j.State != NeedsDecision {
			continue
		}
		for _, y := range j.Yields {
			if s := stocks[y.PartID]; s != nil {
				put(s.wait, y.WayID, y.Section, y.Count)
			}
		}
	}
	l.spent(now, jobs, figures)
	out := BuildProgress{Build: l.Build}
	for i := range l.Assemblies {
		a := AssemblyProgress{Assembly: l.Assemblies[i]}
		for k := range l.Parts {
			p := &l.Parts[k]
			if p.AssemblyID != a.Assembly.ID {
				continue
			}
			f := figures[p.ID]
			f.count(p.Wanted, stocks[p.ID])
			l.missing(p, f)
			a.Parts = append(a.Parts, PartProgress{*p, *f})
			a.Progress.add(f)
		}
		if len(a.Parts) > 0 {
			out.Progress.add(&a.Progress)
			out.Assemblies = append(out.Assemblies, a)
		}
	}
	return out
}

// whole is how many pieces the sections make, way by way.
func whole(in map[int64][]int) int {
	n := 0
	for _, sections := range in {
		least := sections[0]
		for _, v := range sections {
			least = min(least, v)
		}
		n += least
	}
	return n
}

// merge adds the sections of b to a.
func merge(a, b map[int64][]int) map[int64][]int {
	for way, sections := range b {
		if a[way] == nil {
			a[way] = make([]int, len(sections))
		}
		for i, n := range sections {
			a[way][i] += n
		}
	}
	return a
}

// count fills in whole pieces. Stage by stage the sections join those of the
// stages before: half a piece that waits completes a good half.
func (f *Progress) count(wanted int, s *stock) {
	f.Wanted = wanted
	before, left := 0, wanted
	stage := func(in map[int64][]int) int {
		s.good = merge(s.good, in)
		n := whole(s.good)
		more := min(n-before, left)
		before, left = n, left-more
		return more
	}
	good := whole(s.good)
	f.Good = stage(nil)
	f.Spare = good - f.Good
	f.OnPlate = stage(s.plate)
	f.Running = stage(s.run)
	f.Waiting = stage(s.wait)
	f.Missing = left
}

// spent shares the time and filament of runs and live jobs between parts.
func (l *Ledger) spent(now time.Time, jobs map[int64]*Job, figures map[int64]*Progress) {
	share := func(j *Job, add func(*Progress, float64)) {
		total := 0
		for _, y := range j.Yields {
			total += y.Count
		}
		for _, y := range j.Yields {
			if f := figures[y.PartID]; f != nil && total > 0 {
				add(f, float64(y.Count)/float64(total))
			}
		}
	}
	for i := range l.Runs {
		r := &l.Runs[i]
		j := jobs[r.JobID]
		if j == nil {
			continue
		}
		share(j, func(f *Progress, part float64) {
			if r.Result == "" {
				left := max(0, r.EstimateS-now.Sub(r.StartedAt).Seconds())
				f.HoursLeft += part * left / 3600
				if r.EstimateS > 0 {
					f.GramsLeft += part * j.File.MassG * left / r.EstimateS
				}
				return
			}
			f.HoursDone += part * r.EndedAt.Sub(r.StartedAt).Hours()
			f.GramsUsed += part * r.Grams
		})
	}
	for i := range l.Jobs {
		j := &l.Jobs[i]
		if j.State == Queued || j.State == OnHold || j.State == NeedsDecision {
			share(j, func(f *Progress, part float64) {
				f.HoursLeft += part * j.File.EstimateS / 3600
				f.GramsLeft += part * j.File.MassG
			})
		}
	}
}

// missing adds what the pieces without a job would take, by the first way whose
// every section has a print, else by what a person expects.
func (l *Ledger) missing(p *Part, f *Progress) {
	if f.Missing == 0 {
		return
	}
	for i := range l.Ways {
		w := &l.Ways[i]
		if w.PartID != p.ID || len(w.Sections) == 0 {
			continue
		}
		hours, grams, known := 0.0, 0.0, true
		for section := range w.Sections {
			h, g, ok := l.onePiece(w, section)
			hours, grams, known = hours+h, grams+g, known && ok
		}
		if known {
			f.HoursLeft += float64(f.Missing) * hours
			f.GramsLeft += float64(f.Missing) * grams
			return
		}
	}
	if p.Hours == 0 && p.Grams == 0 {
		f.Unknown = f.Missing
	}
	f.HoursLeft += float64(f.Missing) * p.Hours
	f.GramsLeft += float64(f.Missing) * p.Grams
}

// onePiece is what one section of a way takes, by the first print that makes it.
func (l *Ledger) onePiece(w *Way, section int) (hours, grams float64, ok bool) {
	for i := range l.Prints {
		total, mine := 0, 0
		for _, y := range l.Prints[i].Yields {
			total += y.Count
			if y.WayID == w.ID && y.Section == section {
				mine += y.Count
			}
		}
		if mine > 0 {
			f := l.Prints[i].File
			return f.EstimateS / 3600 / float64(total), f.MassG / float64(total), true
		}
	}
	return 0, 0, false
}

func (f *Progress) add(o *Progress) {
	f.Wanted += o.Wanted
	f.Good += o.Good
	f.OnPlate += o.OnPlate
	f.Running += o.Running
	f.Waiting += o.Waiting
	f.Missing += o.Missing
	f.Spare += o.Spare
	f.Failed += o.Failed
	f.Reopen += o.Reopen
	f.HoursDone += o.HoursDone
	f.HoursLeft += o.HoursLeft
	f.GramsUsed += o.GramsUsed
	f.GramsLeft += o.GramsLeft
	f.Unknown += o.Unknown
}
