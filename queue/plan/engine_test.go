package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// fullHouse has everything that rules can hold: changes, circuits, cold hours, eyes,
// calls, dates, ranges, ways, a printer that clears itself.
func fullHouse(seed uint64) *House {
	r := rand.New(rand.NewPCG(seed, 29))
	h := evenings(24, 4, seed)
	h.ChangeMin.Nozzle, h.ChangeMin.Spool, h.ChangeMin.Plate = 9, 4, 2
	h.Circuits = []Circuit{{"left", 12, 1}, {"right", 7, 1}}
	if seed%2 == 0 {
		for d := range 90 {
			h.Cold = append(h.Cold, Window{d*1440 + 1100, d*1440 + 1150})
		}
	}
	for i := range h.Machines {
		m := &h.Machines[i]
		m.Circuit = h.Circuits[i%2].Name
		m.ReadyMin = r.IntN(2) * r.IntN(900)
		m.SelfClearing = i == 3
		m.Fit = Fit{fmt.Sprint(r.IntN(2)), fmt.Sprint(r.IntN(3)), ""}
	}
	for j := range h.Tasks {
		t := &h.Tasks[j]
		t.Fit = Fit{fmt.Sprint(r.IntN(2)), fmt.Sprint(r.IntN(3)), ""}
		t.CoolMin = r.IntN(40)
		t.EyesMin = 5 * r.IntN(3)
		if r.IntN(8) == 0 {
			t.Calls = []int{r.IntN(30)}
		}
		if r.IntN(4) == 0 {
			t.DueMin = 600 + r.IntN(9000)
		}
		t.First = max(0, r.IntN(12)-10)
		if j < 6 {
			t.Part, t.Way = fmt.Sprint("part ", j/3), j%3/2
		}
	}
	return h
}

// TestChangesKeepTheBooks makes thousands of changes and then works everything out
// anew: the bookings, the stages and the energy that the changes left must be what
// the kept starts give, and every start one that the rules allow.
func TestChangesKeepTheBooks(t *testing.T) {
	for seed := range uint64(12) {
		h := fullHouse(seed)
		m := buildHouse(h, Make(h, nil, Options{Moves: 256, Seed: seed}), 0)
		e := m.engine(seed)
		m.warm(e)
		kept := 0
		for n := range 6000 {
			if e.change(20) {
				kept++
			}
			if n%500 == 0 {
				e.target = float64(e.span())
				e.reprice()
			}
		}
		if kept < 150 {
			t.Fatalf("seed %d: %d changes were kept", seed, kept)
		}
		s := &solution{}
		e.save(s)
		fresh := m.engine(seed)
		fresh.target = e.target
		fresh.load(s)
		r, f := e.rules, fresh.rules
		if !slices.Equal(r.busy, f.busy) {
			t.Errorf("seed %d: hands are booked that no start takes, or the other way round", seed)
		}
		for c := range r.heating {
			if !slices.Equal(r.heating[c], f.heating[c]) {
				t.Errorf("seed %d: circuit %d is booked otherwise than the starts take it", seed, c)
			}
		}
		if math.Abs(e.sum-fresh.sum) > 1e-3 || e.span() != fresh.span() || !slices.Equal(e.risk, fresh.risk) {
			t.Errorf("seed %d: energy %f, worked out anew %f", seed, e.sum, fresh.sum)
		}
		for i := range e.m {
			for k, j := range e.seq[i] {
				a, b := e.stage[i][k], fresh.stage[i][k]
				if math.Abs(a.cost-b.cost) > 1e-4 {
					t.Fatalf("seed %d: printer %d place %d: stage %+v, worked out anew %+v", seed, i, k, a, b)
				}
				a.cost = b.cost
				if a != b {
					t.Fatalf("seed %d: printer %d place %d: stage %+v, worked out anew %+v", seed, i, k, a, b)
				}
				s := e.start[i][k]
				if s >= never {
					continue
				}
				minutes := a.hands + e.dur[i*e.n+int(j)]
				if !r.always[i] {
					minutes -= r.handsMin
				}
				r.book(i, s, a.hands, -1)
				if got := r.begin(i, j, s, a.hands, minutes, nil); got != s || s < a.free {
					t.Errorf("seed %d: printer %d place %d starts at %d, free at %d; the rules allow %d", seed, i, k, s, a.free, got)
				}
				r.book(i, s, a.hands, 1)
			}
		}
	}
}

// TestCappedChangesKeepTheBooks is the same for a problem whose starts are capped.
func TestCappedChangesKeepTheBooks(t *testing.T) {
	for seed := range uint64(12) {
		p := randomProblem(rand.New(rand.NewPCG(seed, 31)), 30, 5, true)
		m := build(p)
		e := m.engine(seed)
		e.dispatch(gapAware(0.5, 0.5))
		for range 6000 {
			e.change(30)
		}
		used := make([]int32, len(e.used))
		for i := range e.m {
			free := e.ready[i]
			for k, s := range e.start[i] {
				if s >= never {
					break
				}
				used[s/e.slotMin]++
				if s < free || e.table[i][s] != s {
					t.Errorf("seed %d: printer %d place %d starts at %d, free at %d", seed, i, k, s, free)
				}
				free = s + e.dur[i*e.n+int(e.seq[i][k])]
			}
		}
		if !slices.Equal(used, e.used) || slices.Max(append(used, 0)) > e.cap {
			t.Errorf("seed %d: the slots are booked otherwise than the starts take them", seed)
		}
	}
}
