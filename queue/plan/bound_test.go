package plan

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
)

// everyPlan is the least makespan of a tiny problem with a cap on starts, by trying
// every order and every choice of printers: each job at its earliest minute in list
// order, which reaches an optimum for some order.
func everyPlan(p *Problem) (int, bool) {
	best := math.MaxInt
	attended := func(s int) bool {
		if len(p.People) == 0 {
			return slices.ContainsFunc(p.Home, func(w Window) bool { return s >= w[0] && s < w[1] })
		}
		return slices.ContainsFunc(p.People, func(x Person) bool {
			return slices.ContainsFunc(x.Home, func(w Window) bool { return s >= w[0] && s < w[1] && s+x.HandsMin <= w[1] })
		})
	}
	free := make([]int, len(p.Printers))
	for i, m := range p.Printers {
		free[i] = m.ReadyMin
	}
	slots := map[int]int{}
	done := make([]bool, len(p.Jobs))
	var place func(left, span int)
	place = func(left, span int) {
		if span >= best {
			return
		}
		if left == 0 {
			best = span
			return
		}
		for j := range p.Jobs {
			if done[j] {
				continue
			}
			for i, m := range p.Printers {
				d, ok := p.Jobs[j].Minutes[m.Name]
				if !ok {
					continue
				}
				s := free[i]
				for ; s < 10_000; s++ {
					if (m.SelfClearing || attended(s)) && slots[s/p.StartCap.SlotMin] < p.StartCap.Starts {
						break
					}
				}
				if s == 10_000 {
					continue
				}
				was := free[i]
				done[j], free[i] = true, s+d
				slots[s/p.StartCap.SlotMin]++
				place(left-1, max(span, s+d))
				slots[s/p.StartCap.SlotMin]--
				done[j], free[i] = false, was
			}
		}
	}
	place(len(p.Jobs), 0)
	return best, best < math.MaxInt
}

// TestBoundUnderCap holds the bound and the plan of capped problems against every
// plan that there is.
func TestBoundUnderCap(t *testing.T) {
	optimal, all := 0, 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 13))
		p := randomProblem(r, 1+r.IntN(5), 1+r.IntN(3), true)
		p.StartCap = &StartCap{20 + r.IntN(300), 1}
		a := Solve(p, Options{Moves: 4000, Seed: seed})
		judged(t, p, &a)
		best, ok := everyPlan(p)
		if !ok || len(a.LeftOut) > 0 {
			continue
		}
		all++
		// Nothing is known of an upper end here, so nothing can hide a bound too high.
		m := build(p)
		lower := newBounder(m.in, m.wide, m.always).shortest(50_000, time.Minute)
		if int(lower) > best || a.MakespanMin < best {
			t.Fatalf("seed %d: plan %d, bound %d, optimum %d", seed, a.MakespanMin, lower, best)
		}
		if a.MakespanMin == best {
			optimal++
		}
	}
	if all < 25 || optimal < all*90/100 {
		t.Errorf("%d of %d were planned optimally", optimal, all)
	}
}

// lpEnd is the least T at which the relaxation behind the bound is feasible, by a
// general solver: each job on one of its places, which take attended minutes, gaps
// and last gaps; no more of each than the printers have.
func lpEnd(t *testing.T, home []Window, durs []int, printers int) int {
	t.Helper()
	feasible := func(T int) bool {
		var spans []Window
		for _, w := range home {
			if w[0] < T {
				spans = append(spans, Window{w[0], min(w[1], T)})
			}
		}
		type use struct{ minutes, gaps, last int }
		var have use
		for k, w := range spans {
			have.minutes += w[1] - w[0]
			switch {
			case w[1] >= T:
			case k == len(spans)-1:
				have.last++
			default:
				have.gaps++
			}
		}
		var cols []use
		var of []int
		for j, d := range durs {
			seen := map[use]bool{}
			for _, w := range spans {
				for s := w[0]; s < w[1] && s+d <= T; s++ {
					var u use
					for k, v := range spans {
						u.minutes += max(0, min(s+d, v[1])-max(s, v[0]))
						if s < v[1] && s+d >= v[1] && v[1] < T {
							if k == len(spans)-1 {
								u.last++
							} else {
								u.gaps++
							}
						}
					}
					if !seen[u] {
						seen[u] = true
						cols, of = append(cols, u), append(of, j)
					}
				}
			}
			if len(seen) == 0 {
				return false
			}
		}
		// Least x such that the minutes taken, less x, fit: feasible if x is 0.
		n, rows := len(cols), len(durs)+3
		A := mat.NewDense(rows, n+4, nil)
		b := make([]float64, rows)
		c := make([]float64, n+4)
		for k, u := range cols {
			A.Set(of[k], k, 1)
			A.Set(rows-3, k, float64(u.minutes))
			A.Set(rows-2, k, float64(u.gaps))
			A.Set(rows-1, k, float64(u.last))
		}
		for j := range durs {
			b[j] = 1
		}
		for k, v := range []int{have.minutes, have.gaps, have.last} {
			A.Set(rows-3+k, n+k, 1)
			b[rows-3+k] = float64(v * printers)
		}
		A.Set(rows-3, n+3, -1)
		c[n+3] = 1
		x, _, err := lp.Simplex(c, A, b, 1e-9, nil)
		if errors.Is(err, lp.ErrInfeasible) {
			return false
		}
		if err != nil {
			t.Skipf("the solver gives up: %v", err)
		}
		return x < 1e-6
	}
	lo, hi := 0, 40_000
	for lo < hi {
		if mid := (lo + hi) / 2; feasible(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// TestBoundAgainstLP holds the bound against gonum's simplex: never above what the
// relaxation allows, and within 0.2 % of it.
func TestBoundAgainstLP(t *testing.T) {
	for seed := range uint64(2) {
		r := rand.New(rand.NewPCG(seed, 19))
		p := &Problem{}
		for d := range 30 {
			p.Home = append(p.Home, Window{d * 144, d*144 + 12}, Window{d*144 + 60, d*144 + 96})
		}
		var durs []int
		for range 14 {
			durs = append(durs, 4+int(10*math.Exp(3*r.Float64())))
		}
		const printers = 3
		for i := range printers {
			p.Printers = append(p.Printers, Printer{Name: string(rune('a' + i))})
		}
		for j, d := range durs {
			p.Jobs = append(p.Jobs, Job{string(rune('a' + j)), map[string]int{"a": d, "b": d, "c": d}})
		}
		m := build(p)
		got := int(newBounder(m.in, m.wide, m.always).shortest(40_000, time.Minute))
		want := lpEnd(t, p.Home, durs, printers)
		if got > want || float64(got) < 0.998*float64(want)-1 {
			t.Errorf("seed %d: bound %d, by the simplex %d", seed, got, want)
		}
	}
}
