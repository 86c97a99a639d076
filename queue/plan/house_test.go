package plan

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// randomHouse draws a house with every rule that there is.
func randomHouse(r *rand.Rand, tasks, machines int) *House {
	h := &House{Now: time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC), HandsMin: 5 + r.IntN(15)}
	h.ChangeMin.Nozzle, h.ChangeMin.Spool, h.ChangeMin.Plate = 10, 3, 2
	for k := range 1 + r.IntN(2) {
		var w []Window
		for d := range 60 {
			a := d*1440 + r.IntN(120)
			w = append(w, Window{a, a + 60 + r.IntN(200)}, Window{a + 600, a + 700 + r.IntN(300)})
		}
		h.People = append(h.People, Attendant{fmt.Sprint("person ", k), w})
	}
	if r.IntN(2) == 0 {
		for d := range 60 {
			h.Cold = append(h.Cold, Window{d*1440 + 900, d*1440 + 1000})
		}
	}
	h.Circuits = []Circuit{{"cellar", 12, 1 + r.IntN(2)}}
	fits := []Fit{{"0.4", "PLA", ""}, {"0.6", "PLA", "textured"}, {"0.4", "PETG", "textured"}, {}}
	for i := range machines {
		m := Machine{Name: fmt.Sprint("m", i), ReadyMin: r.IntN(300) * r.IntN(2), Circuit: []string{"", "cellar"}[r.IntN(2)], SelfClearing: r.IntN(6) == 0, Fit: fits[r.IntN(4)]}
		if r.IntN(3) == 0 {
			m.Running, m.RunningEnds, m.ReadyMin = "wing", 200, 240
		}
		h.Machines = append(h.Machines, m)
	}
	for j := range tasks {
		t := Task{ID: fmt.Sprint("t", j), Part: fmt.Sprint("part ", j/2), Assembly: fmt.Sprint("a", j%3), On: map[string]Range{}, Fit: fits[r.IntN(4)], CoolMin: r.IntN(40)}
		if r.IntN(2) == 0 {
			t.Way = j % 2
		}
		d := 20 + r.IntN(700)
		for i := range machines {
			if r.IntN(3) > 0 {
				t.On[h.Machines[i].Name] = Range{d * 9 / 10, d, d * 12 / 10}
			}
		}
		if r.IntN(3) == 0 {
			t.EyesMin = 10
		}
		if r.IntN(5) == 0 {
			t.Calls = []int{d / 2}
		}
		if r.IntN(4) == 0 {
			t.DueMin = 1000 + r.IntN(4000)
		}
		h.Tasks = append(h.Tasks, t)
	}
	return h
}

// houseFaults looks at every minute of a plan by itself.
func houseFaults(h *House, p *Plan) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	home := func(a, b int) bool { // one person is home from a to b
		return slices.ContainsFunc(h.People, func(x Attendant) bool {
			return slices.ContainsFunc(x.Home, func(w Window) bool { return a >= w[0] && b <= w[1] && a < w[1] })
		})
	}
	task := map[string]Task{}
	for _, t := range h.Tasks {
		task[t.ID] = t
	}
	fitted, free, heating := map[string]Fit{}, map[string]int{}, map[string]map[int]int{}
	machine := map[string]Machine{}
	for _, m := range h.Machines {
		machine[m.Name], fitted[m.Name], free[m.Name] = m, m.Fit, m.ReadyMin
		heating[m.Circuit] = map[int]int{}
	}
	seen, ways := map[string]bool{}, map[string]int{}
	done := 0
	for _, s := range p.Steps {
		t, m := task[s.Task], machine[s.Machine]
		if w, ok := ways[t.Part]; seen[s.Task] || ok && w != t.Way {
			say("%s: twice, or two ways of %s", s.Task, t.Part)
		}
		seen[s.Task], ways[t.Part] = true, t.Way
		if s.StartMin < free[s.Machine] {
			say("%s starts at %d on %s, free at %d", s.Task, s.StartMin, s.Machine, free[s.Machine])
		}
		hands, extra := h.HandsMin, 0
		if m.SelfClearing {
			hands = 0
		}
		f := fitted[s.Machine]
		change := func(have *string, want string, min int) {
			if want != "" && want != *have {
				if *have != "" {
					extra += min
				}
				*have = want
			}
		}
		change(&f.Nozzle, t.Fit.Nozzle, h.ChangeMin.Nozzle)
		change(&f.Spool, t.Fit.Spool, h.ChangeMin.Spool)
		change(&f.Plate, t.Fit.Plate, h.ChangeMin.Plate)
		fitted[s.Machine] = f
		if hands+extra > 0 && !home(s.StartMin, s.StartMin+hands+extra) {
			say("%s starts at %d with %d minutes of hands, nobody home", s.Task, s.StartMin, hands+extra)
		}
		r, ok := t.On[s.Machine]
		if !ok || s.EndMin != s.StartMin+r.Mean+extra {
			say("%s on %s takes %d, plan %d-%d", s.Task, s.Machine, r.Mean+extra, s.StartMin, s.EndMin)
		}
		if t.EyesMin > 0 && !home(s.StartMin+t.EyesMin, s.StartMin+t.EyesMin) {
			say("%s: no eyes", s.Task)
		}
		for _, c := range t.Calls {
			if !home(s.StartMin+c, s.StartMin+c) {
				say("%s: nobody at its call", s.Task)
			}
		}
		for _, c := range h.Cold {
			if s.StartMin < c[1] && s.EndMin > c[0] {
				say("%s runs %d-%d in cold hours %v", s.Task, s.StartMin, s.EndMin, c)
			}
		}
		if m.Circuit != "" {
			for t := s.StartMin; t < s.StartMin+h.Circuits[0].HeatMin; t++ {
				if heating[m.Circuit][t]++; heating[m.Circuit][t] > h.Circuits[0].AtOnce {
					say("%s: %d heat up at %d", s.Task, heating[m.Circuit][t], t)
					break
				}
			}
		}
		free[s.Machine] = s.EndMin + t.CoolMin
		done = max(done, s.EndMin)
	}
	for _, m := range h.Machines {
		done = max(done, m.RunningEnds)
	}
	for _, l := range p.LeftOut {
		seen[l.Task()] = true
	}
	for _, t := range h.Tasks {
		if w, ok := ways[t.Part]; !seen[t.ID] && (!ok || w == t.Way) {
			say("%s is missing", t.ID)
		}
	}
	if p.DoneMin != done || p.BoundMin > done {
		say("done %d, bound %d, by the steps %d", p.DoneMin, p.BoundMin, done)
	}
	return wrong
}

func (l LeftOut) Task() string { return l.Job }

func TestRandomHouses(t *testing.T) {
	for seed := range uint64(24) {
		r := rand.New(rand.NewPCG(seed, 3))
		h := randomHouse(r, 4+r.IntN(24), 1+r.IntN(5))
		p := Make(h, nil, Options{Moves: 4000, Seed: seed})
		if wrong := houseFaults(h, p); len(wrong) > 0 {
			t.Fatalf("seed %d: %v", seed, wrong)
		}
		again := Make(h, p, Options{Moves: 500, Seed: seed})
		if wrong := houseFaults(h, again); len(wrong) > 0 {
			t.Fatalf("seed %d, again: %v", seed, wrong)
		}
	}
}
