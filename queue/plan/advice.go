package plan

import (
	"fmt"
	"maps"
	"slices"
	"time"
)

// Change is one thing that could be otherwise. Apply changes a copy of the house
// that is its own, Tasks, People and the like included.
type Change struct {
	What  string
	Apply func(h *House)
}

// Advice is a change that would make the build sooner, and by how much.
type Advice struct {
	What     string
	SoonerBy int // minutes, the smaller of two searches with seeds of their own
	DoneMin  int
}

// leastGain is the part of the makespan below which a gain is not reported.
const leastGain = 0.01

// Changes lists what can be tried on any house: an hour more at home at each end
// of each home window of the next week, another person, a plate that clears itself,
// a machine on another circuit. Changes that need to know files (another nozzle, a
// spool, another way) are the caller's to add.
func Changes(h *House) []Change {
	var out []Change
	if len(h.People) > 0 {
		for _, d := range []struct {
			what          string
			before, after int
		}{{"earlier", 60, 0}, {"later", 0, 60}} {
			for k, x := range h.People {
				out = append(out, Change{fmt.Sprintf("%s home an hour %s each time", x.Name, d.what), func(h *House) {
					for n, w := range h.People[k].Home {
						h.People[k].Home[n] = Window{w[0] - d.before, w[1] + d.after}
					}
				}})
			}
		}
		out = append(out, Change{"a second person at the same hours", func(h *House) {
			h.People = append(h.People, Attendant{"a second person", slices.Clone(h.People[0].Home)})
		}})
	}
	for i, m := range h.Machines {
		if !m.SelfClearing {
			out = append(out, Change{m.Name + " clears its plate itself", func(h *House) { h.Machines[i].SelfClearing = true }})
		}
		for _, c := range h.Circuits {
			if m.Circuit != "" && c.Name != m.Circuit {
				out = append(out, Change{fmt.Sprintf("%s on circuit %s", m.Name, c.Name), func(h *House) { h.Machines[i].Circuit = c.Name }})
			}
		}
	}
	return out
}

// Clone is a copy of a house that shares nothing that a Change may alter.
func (h *House) Clone() *House {
	c := *h
	c.People = slices.Clone(h.People)
	for k := range c.People {
		c.People[k].Home = slices.Clone(h.People[k].Home)
	}
	c.Cold = slices.Clone(h.Cold)
	c.Machines = slices.Clone(h.Machines)
	c.Circuits = slices.Clone(h.Circuits)
	c.Tasks = slices.Clone(h.Tasks)
	for k := range c.Tasks {
		c.Tasks[k].On = maps.Clone(h.Tasks[k].On)
		c.Tasks[k].Calls = slices.Clone(h.Tasks[k].Calls)
	}
	return &c
}

// Advise tries changes one by one and reports those that would make the build
// sooner by more than one part in a hundred, on two seeds, the greatest gain first.
// A change whose bound leaves no such gain is not planned at all; the others share
// the budget, the most promising first, at a tenth of it each.
func Advise(h *House, base *Plan, changes []Change, budget time.Duration, seed uint64) []Advice {
	if base.DoneMin == 0 || len(base.Steps) == 0 {
		return nil
	}
	began := time.Now()
	most := int(float64(base.DoneMin) * (1 - leastGain))
	type candidate struct {
		what  string
		h     *House
		bound int
	}
	var list []candidate
	for _, c := range changes {
		if time.Since(began) > budget/3 {
			break
		}
		other := h.Clone()
		c.Apply(other)
		m := buildHouse(other, nil, 0)
		bound := int(m.in.base)
		if m.bounds.in.n > 0 {
			bound = max(bound, int(newBounder(m.bounds.in, m.bounds.spans, m.bounds.always).quick(int32(base.DoneMin))))
		}
		if bound < most {
			list = append(list, candidate{c.What, other, bound})
		}
	}
	slices.SortStableFunc(list, func(a, b candidate) int { return a.bound - b.bound })
	var out []Advice
	for _, c := range list {
		left := budget - time.Since(began)
		if left <= budget/50 {
			break
		}
		each := min(left/2, budget/20)
		first := Make(c.h, base, Options{Budget: each, Seed: seed})
		if first.DoneMin >= most || len(first.LeftOut) > len(base.LeftOut) {
			continue
		}
		second := Make(c.h, base, Options{Budget: each, Seed: seed + 1})
		if done := max(first.DoneMin, second.DoneMin); done < most && second.LateMin <= base.LateMin {
			out = append(out, Advice{c.what, base.DoneMin - done, done})
		}
	}
	slices.SortStableFunc(out, func(a, b Advice) int { return b.SoonerBy - a.SoonerBy })
	return out
}

// Shift is how a done-date moves; SoonerBy is below 0 when it is later.
type Shift struct {
	Name     string
	WasMin   int
	IsMin    int
	SoonerBy int
}

// Difference is what another plan would change.
type Difference struct {
	Build      Shift
	Assemblies []Shift
	Tasks      []Shift // whose end moves, or that are on another machine
	LeftOut    []LeftOut
	LateMin    int // more minutes after dates; below 0: fewer
}

// Compare tells two plans apart by when things are done. Both count minutes from
// the Now of the first.
func Compare(a, b *Plan) Difference {
	by := int(b.Now.Sub(a.Now).Minutes())
	shift := func(name string, was, is int) Shift { return Shift{name, was, is + by, was - is - by} }
	d := Difference{Build: shift("", a.DoneMin, b.DoneMin), LeftOut: b.LeftOut, LateMin: b.LateMin - a.LateMin}
	for _, name := range slices.Sorted(maps.Keys(a.Parts)) {
		if is, ok := b.Parts[name]; ok {
			d.Assemblies = append(d.Assemblies, shift(name, a.Parts[name], is))
		}
	}
	was := map[string]Step{}
	for _, s := range a.Steps {
		was[s.Task] = s
	}
	for _, s := range b.Steps {
		if o, ok := was[s.Task]; ok && (o.EndMin != s.EndMin+by || o.Machine != s.Machine) {
			d.Tasks = append(d.Tasks, shift(s.Task, o.EndMin, s.EndMin))
		}
	}
	return d
}

// IfNow is the counterfactual of a wait: the task started at once on a machine that
// is free, all else as planned. It gives the machine and by how many minutes the
// build would then end later (0: no later); false where no machine could start it.
func IfNow(h *House, p *Plan, task string) (machine string, later int, ok bool) {
	m := buildHouse(h, p, 0)
	j, known := m.byID()[task]
	if !known || m.in.n == 0 {
		return "", 0, false
	}
	best := 0
	for _, i := range m.in.who[j] {
		if m.in.ready[i] > 0 {
			continue
		}
		e := m.engine(0)
		m.warm(e)
		if e.on[j] < 0 {
			return "", 0, false
		}
		was := e.span()
		e.without(&e.a, int(e.on[j]), int(e.at[j]))
		e.on[j] = -1
		e.try(false, 1e18)
		e.with(&e.a, int(i), 0, j)
		e.try(false, 1e18)
		if e.start[i][0] > slotMin {
			continue // nobody is there, or the circuit is full
		}
		if l := int(e.span() - was); !ok || l < best {
			machine, best, ok = h.Machines[i].Name, l, true
		}
	}
	return machine, best, ok
}
