package plan

import "slices"

// Errand is one thing to do at one machine in a visit.
type Errand struct {
	Machine  string
	Clear    string   // the task whose pieces come off the plate; empty: nothing lies there
	Changes  []string // nozzle, spool, plate, as in Step
	Start    string   // the task that starts; empty: none
	Call     string   // the task that wants hands in mid-print
	Eyes     string   // the task whose first layer is to be looked at
	AtMin    int      // when it is due
	HandsMin int
}

// Visit is one trip to the machines.
type Visit struct {
	FromMin int
	ToMin   int
	Errands []Errand // in walking order
}

// Visits turns a plan round: when to go down, and what to do there. Errands that
// fall within together minutes of the first of a visit are one trip, because whoever
// is there can do them then. Machines stand in walking order in the house. A last
// visit takes off what is ready at the end.
func Visits(h *House, p *Plan, together int) []Visit {
	order := map[string]int{}
	lies := map[string]string{}
	for k, m := range h.Machines {
		order[m.Name] = k
		if m.Running != "" {
			lies[m.Name] = m.Running
		}
	}
	eyes := map[string]int{}
	for _, t := range h.Tasks {
		eyes[t.ID] = t.EyesMin
	}
	var all []Errand
	last := map[string]Step{}
	for _, s := range p.Steps {
		if s.Attended {
			all = append(all, Errand{Machine: s.Machine, Clear: lies[s.Machine], Changes: s.Changes, Start: s.Task, AtMin: s.StartMin, HandsMin: s.HandsMin})
		}
		lies[s.Machine] = s.Task
		last[s.Machine] = s
		for _, c := range s.Calls {
			all = append(all, Errand{Machine: s.Machine, Call: s.Task, AtMin: c})
		}
		if e := eyes[s.Task]; e > 0 {
			all = append(all, Errand{Machine: s.Machine, Eyes: s.Task, AtMin: s.StartMin + e})
		}
	}
	// What lies on the plates at the end comes off in the next home hour.
	var home []Window
	for _, x := range h.People {
		home = append(home, startSpans(union(slices.Clone(x.Home)), h.HandsMin)...)
	}
	home = union(home)
	for _, m := range h.Machines {
		s, ok := last[m.Name]
		free := s.FreeMin
		if !ok {
			if m.Running == "" {
				continue
			}
			free = m.ReadyMin
		}
		if m.SelfClearing {
			continue
		}
		if at := nextIn(home, false, int32(free)); at < never {
			all = append(all, Errand{Machine: m.Name, Clear: lies[m.Name], AtMin: int(at), HandsMin: h.HandsMin})
		}
	}
	slices.SortStableFunc(all, func(a, b Errand) int { return a.AtMin - b.AtMin })
	var out []Visit
	for _, e := range all {
		if k := len(out) - 1; k >= 0 && e.AtMin <= out[k].FromMin+together {
			out[k].Errands = append(out[k].Errands, e)
			out[k].ToMin = max(out[k].ToMin, e.AtMin+e.HandsMin)
			continue
		}
		out = append(out, Visit{e.AtMin, e.AtMin + e.HandsMin, []Errand{e}})
	}
	for k := range out {
		slices.SortStableFunc(out[k].Errands, func(a, b Errand) int {
			if d := order[a.Machine] - order[b.Machine]; d != 0 {
				return d
			}
			return a.AtMin - b.AtMin
		})
	}
	return out
}
