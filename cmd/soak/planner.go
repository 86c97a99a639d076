package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"

	planner "undercroft/queue/plan"
	"undercroft/queue/plan/judge"
)

// planCmd holds plans of random instances against a judge that shares no code with
// the planner.
type planCmd struct {
	Seed      uint64 `default:"1" help:"Seed of the campaign."`
	Instances int    `default:"10000" help:"How many instances."`
	Instance  string `help:"Plan and print the one instance with this number, as a violation prints it." placeholder:"N"`
}

// Run plays the instances. Small ones are held against the exact optimum too.
func (c *planCmd) Run() error {
	if c.Instance != "" {
		var k uint64
		if _, err := fmt.Sscan(c.Instance, &k); err != nil {
			return fmt.Errorf("instance %q: give the number that a violation printed", c.Instance)
		}
		p, a := c.one(k)
		for _, v := range []any{p, a} {
			out, err := json.Marshal(v)
			if err != nil {
				return err
			}
			fmt.Println(string(out))
		}
		return nil
	}
	bad, small, optimal := 0, 0, 0
	for k := range uint64(c.Instances) {
		p, a := c.one(k)
		pj, err := json.Marshal(p)
		if err != nil {
			return err
		}
		aj, err := json.Marshal(a)
		if err != nil {
			return err
		}
		wrong := judge.Check(pj, aj)
		if p.StartCap == nil && len(a.LeftOut) == 0 && len(p.Jobs) <= 9 {
			if best, ok := judge.Optimum(pj); ok {
				small++
				if a.MakespanMin == best {
					optimal++
				}
				if a.MakespanMin < best {
					wrong = append(wrong, fmt.Sprintf("the plan ends at %d, before the optimum %d", a.MakespanMin, best))
				}
				if a.BoundMin > best {
					wrong = append(wrong, fmt.Sprintf("the bound %d lies above the optimum %d", a.BoundMin, best))
				}
			}
		}
		if len(wrong) > 0 {
			bad++
			fmt.Printf("instance %d: %s\n  go run ./cmd/soak plan --seed %d --instance %d\n", k, strings.Join(wrong, "; "), c.Seed, k)
		}
	}
	fmt.Printf("%d instances, seed %d: %d with violations; of %d small ones %d planned optimally\n", c.Instances, c.Seed, bad, small, optimal)
	if bad > 0 {
		return fmt.Errorf("%d plans break their problem", bad)
	}
	return nil
}

func (c *planCmd) one(k uint64) (*planner.Problem, planner.Answer) {
	r := rand.New(rand.NewPCG(seedOf(c.Seed, k), 2))
	p := drawProblem(r)
	return p, planner.Solve(p, planner.Options{Moves: 5000, Seed: k})
}

// drawProblem draws an instance with everything that the format can hold: odd
// minutes, overlapping and empty windows, several people, ready times, printers
// that clear themselves, jobs that nothing takes, caps, hours that end too soon.
func drawProblem(r *rand.Rand) *planner.Problem {
	p := &planner.Problem{}
	window := func() []planner.Window {
		w := []planner.Window{}
		end := []int{2_000, 20_000, 60_000}[r.IntN(3)]
		for t := r.IntN(400); t < end; {
			to := t + r.IntN(700)
			w = append(w, planner.Window{t, to})
			t = to - 30 + r.IntN(900)
		}
		r.Shuffle(len(w), func(a, b int) { w[a], w[b] = w[b], w[a] })
		return w
	}
	if r.IntN(2) == 0 {
		p.Home = window()
	}
	for k := range r.IntN(3) {
		x := planner.Person{Name: fmt.Sprint("person ", k), HandsMin: r.IntN(30)}
		if p.Home == nil || r.IntN(3) > 0 {
			x.Home = window()
		}
		p.People = append(p.People, x)
	}
	for i := range r.IntN(6) {
		p.Printers = append(p.Printers, planner.Printer{Name: fmt.Sprint("printer ", i), ReadyMin: r.IntN(2) * r.IntN(3000), SelfClearing: r.IntN(6) == 0})
	}
	same := r.IntN(2) == 0
	longest := []int{3, 90, 2000}[r.IntN(3)]
	for j := range r.IntN(30) {
		m := map[string]int{}
		d := 1 + r.IntN(longest)
		for i := range p.Printers {
			if !same {
				d = 1 + r.IntN(longest)
			}
			if r.IntN(3) > 0 {
				m[p.Printers[i].Name] = d
			}
		}
		p.Jobs = append(p.Jobs, planner.Job{ID: fmt.Sprint("job ", j), Minutes: m})
	}
	if r.IntN(3) == 0 {
		p.StartCap = &planner.StartCap{SlotMin: 1 + r.IntN(60), Starts: r.IntN(4)}
	}
	return p
}
