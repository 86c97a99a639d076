package plan

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// The checks here follow from the description of the format alone and share nothing
// with the planner or its judge: every minute is looked at one by one, and every
// plan of a tiny problem is tried, starts held back included.

// mayStart says whether a job may start at minute s by the narrowest reading: inside
// one window, the hands' last minute in it too. wide is the widest: one person's
// windows that touch or overlap are one stay, and its last minute is in it.
func mayStart(p *Problem, s int, wide bool) bool {
	people := p.People
	if len(people) == 0 {
		people = []Person{{Home: p.Home}}
	}
	for _, x := range people {
		if !wide {
			for _, w := range x.Home {
				if w[0] <= s && s < w[1] && s+x.HandsMin <= w[1] {
					return true
				}
			}
			continue
		}
		ok := true // closed windows: each minute from s to s+hands, and each step between two
		for t := s; t <= s+x.HandsMin && ok; t++ {
			at, on := false, t == s+x.HandsMin
			for _, w := range x.Home {
				at = at || w[0] <= t && t <= w[1]
				on = on || w[0] <= t && t+1 <= w[1]
			}
			ok = at && on
		}
		if ok {
			return true
		}
	}
	return false
}

// tries every plan of at most a few jobs: each next job in time order on each printer
// at each minute of a short horizon.
type tries struct {
	p    *Problem
	may  []bool
	best int
	free []int
	done []bool
	used map[int]int
}

func bestOfAll(p *Problem, horizon int, wide bool) (int, bool) {
	t := &tries{p: p, best: math.MaxInt, done: make([]bool, len(p.Jobs)), used: map[int]int{}}
	for s := range horizon {
		t.may = append(t.may, mayStart(p, s, wide))
	}
	for _, m := range p.Printers {
		t.free = append(t.free, max(m.ReadyMin, 0))
	}
	t.place(len(p.Jobs), 0, 0)
	return t.best, t.best < math.MaxInt
}

func (t *tries) place(left, from, span int) {
	if left == 0 {
		t.best = min(t.best, span)
		return
	}
	for j, job := range t.p.Jobs {
		if t.done[j] {
			continue
		}
		for i, m := range t.p.Printers {
			d, ok := job.Minutes[m.Name]
			if !ok {
				continue
			}
			for s := max(from, t.free[i]); s < len(t.may) && s+d < t.best; s++ {
				if !m.SelfClearing && !t.may[s] {
					continue
				}
				slot := -1
				if c := t.p.StartCap; c != nil {
					if slot = s / c.SlotMin; t.used[slot] >= c.Starts {
						continue
					}
				}
				was := t.free[i]
				t.done[j], t.free[i] = true, s+d
				t.used[slot]++
				t.place(left-1, s, max(span, s+d))
				t.used[slot]--
				t.done[j], t.free[i] = false, was
			}
		}
	}
}

// oddProblem has windows that touch, overlap, are empty or stand in no order.
func oddProblem(r *rand.Rand) *Problem {
	p := &Problem{}
	windows := func() []Window {
		w := []Window{}
		for range r.IntN(6) {
			a := r.IntN(45)
			b := a + r.IntN(12)
			w = append(w, Window{a, b})
			switch r.IntN(3) {
			case 0:
				w = append(w, Window{b, b + r.IntN(6)}) // touches
			case 1:
				w = append(w, Window{max(a, b-2), b + r.IntN(8)})
			}
		}
		r.Shuffle(len(w), func(a, b int) { w[a], w[b] = w[b], w[a] })
		return w
	}
	if r.IntN(3) == 0 {
		p.Home = windows()
	} else {
		for k := range 1 + r.IntN(3) {
			p.People = append(p.People, Person{fmt.Sprint("p", k), windows(), []int{0, 1, 3, 7, 60}[r.IntN(5)]})
		}
	}
	for i := range 1 + r.IntN(2) {
		p.Printers = append(p.Printers, Printer{fmt.Sprint("m", i), r.IntN(2) * r.IntN(20), r.IntN(4) == 0})
	}
	for j := range r.IntN(5) {
		m := map[string]int{}
		for _, x := range p.Printers {
			if r.IntN(4) > 0 {
				m[x.Name] = 1 + r.IntN(14)
			}
		}
		p.Jobs = append(p.Jobs, Job{fmt.Sprint("j", j), m})
	}
	if r.IntN(2) == 0 {
		p.StartCap = &StartCap{1 + r.IntN(9), 1 + r.IntN(2)}
	}
	return p
}

// TestOddProblems holds plans of tiny odd problems against every plan that there is:
// no plan breaks the narrow reading, the bound holds by the wide one too, and nearly
// all plans are optimal.
func TestOddProblems(t *testing.T) {
	n := uint64(300)
	if testing.Short() {
		n = 100
	}
	optimal, solved := 0, 0
	for seed := range n {
		r := rand.New(rand.NewPCG(seed, 37))
		p := oddProblem(r)
		a := Solve(p, Options{Moves: 1500, Seed: seed})
		judged(t, p, &a)
		for _, s := range a.Starts {
			for _, m := range p.Printers {
				if m.Name == s.Printer && !m.SelfClearing && !mayStart(p, s.StartMin, false) {
					t.Fatalf("seed %d: %+v starts when nobody has the time", seed, s)
				}
			}
		}
		if len(p.Jobs) == 0 {
			continue
		}
		const horizon = 130
		best, ok := bestOfAll(p, horizon, false)
		if ok != (len(a.LeftOut) == 0) && len(a.LeftOut) > 0 {
			j, _ := json.Marshal(p)
			t.Errorf("seed %d: %d jobs are left out, and a plan of all ends at %d\n%s", seed, len(a.LeftOut), best, j)
		}
		if !ok || len(a.LeftOut) > 0 {
			continue
		}
		solved++
		if a.MakespanMin < best {
			t.Fatalf("seed %d: plan %d, the best that there is %d", seed, a.MakespanMin, best)
		}
		if a.MakespanMin == best {
			optimal++
		}
		widest, _ := bestOfAll(p, horizon, true)
		m := build(p) // without a known end, which would hide a bound too high
		if lower := int(newBounder(m.in, m.wide, m.always).shortest(1000, time.Minute)); lower > widest || a.BoundMin > widest {
			j, _ := json.Marshal(p)
			t.Errorf("seed %d: bound %d (in the answer %d), by the widest reading %d, by the narrowest %d\n%s", seed, lower, a.BoundMin, widest, best, j)
		}
	}
	t.Logf("%d of %d planned optimally", optimal, solved)
	if solved < int(n)/8 || optimal*100 < solved*98 {
		t.Errorf("%d of %d were planned optimally", optimal, solved)
	}
}
