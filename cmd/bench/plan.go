package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"sort"
	"strings"
	"text/tabwriter"
	"time"

	"undercroft/queue/plan"
	"undercroft/queue/plan/judge"
)

// planCmd measures the planner on seeded instances.
type planCmd struct {
	Seeds   int      `default:"5" help:"Instances of each size."`
	Only    []string `help:"Parts of it: gaps, cap, small, rules, online, replan, coverage, mip."`
	Threads int      `default:"0" help:"Searches side by side; 0 is one a core."`
	Write   string   `help:"Write the plain instance of mip as a linear program to this file and end." type:"path"`
}

// Run measures what was asked for.
func (c *planCmd) Run() error {
	if c.Threads == 0 {
		c.Threads = runtime.GOMAXPROCS(0)
	}
	if c.Write != "" {
		return os.WriteFile(c.Write, []byte(plainLP(plainInstance())), 0o644)
	}
	fmt.Printf("simulated instances, seeds 0 to %d, %s %s, %d cores, %d searches side by side\n", c.Seeds-1, runtime.Version(), runtime.GOARCH, runtime.NumCPU(), c.Threads)
	for _, part := range []struct {
		name string
		run  func() error
	}{
		{"gaps", func() error { return c.gaps(false) }}, {"cap", func() error { return c.gaps(true) }},
		{"small", c.small}, {"rules", c.rules}, {"online", c.online}, {"replan", c.replan}, {"coverage", c.coverage}, {"mip", c.mip},
	} {
		if len(c.Only) > 0 && !slices.Contains(c.Only, part.name) {
			continue
		}
		if err := part.run(); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	return nil
}

// sizes are the reference instances: jobs, printers and the cap of starts in 15
// minutes.
var sizes = [][3]int{{60, 5, 3}, {200, 12, 3}, {500, 50, 6}}

// week is the reference home calendar from Monday 07:00: away 09 to 17 on weekdays,
// asleep 23 to 07.
func week(days int) (w []plan.Window) {
	for d := range days {
		at := func(h int) int { return d*1440 + (h-7)*60 }
		if d%7 < 5 {
			w = append(w, plan.Window{at(7), at(9)}, plan.Window{at(17), at(23)})
		} else {
			w = append(w, plan.Window{at(7), at(23)})
		}
	}
	return w
}

// reference draws an instance: durations log-uniform from half an hour to 40 hours
// in whole minutes, 15 minutes of hands a start, four nested sizes of printers (of
// the jobs 40, 30, 20 and 10 % need at least each), and 10 % of a special material
// that every other printer takes.
func reference(n, m int, seed uint64) *plan.Problem {
	r := rand.New(rand.NewPCG(seed, 99))
	p := &plan.Problem{People: []plan.Person{{Name: "An", Home: week(120), HandsMin: 15}}}
	for i := range m {
		p.Printers = append(p.Printers, plan.Printer{Name: fmt.Sprint("printer ", i)})
	}
	for j := range n {
		size := []int{0, 0, 0, 0, 1, 1, 1, 2, 2, 3}[r.IntN(10)]
		d := int(30 * math.Exp(r.Float64()*math.Log(80)))
		special := r.Float64() < 0.1
		job := plan.Job{ID: fmt.Sprint("job ", j), Minutes: map[string]int{}}
		for i := range m {
			kind := i * 4 / m
			if i == m-1 {
				kind = 3
			}
			if kind >= size && (!special || i%2 == 0) {
				job.Minutes[p.Printers[i].Name] = d
			}
		}
		p.Jobs = append(p.Jobs, job)
	}
	return p
}

func table(head string) *tabwriter.Writer {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\n"+head)
	return w
}

// checked holds an answer against the judge.
func checked(p *plan.Problem, a *plan.Answer) error {
	pj, err := json.Marshal(p)
	if err != nil {
		return err
	}
	aj, err := json.Marshal(a)
	if err != nil {
		return err
	}
	if wrong := judge.Check(pj, aj); len(wrong) > 0 {
		return fmt.Errorf("the judge says: %s", strings.Join(wrong, "; "))
	}
	return nil
}

func (c *planCmd) gaps(capped bool) error {
	what := "gap to the bound, %"
	if capped {
		what = "with a cap on starts: gap to the bound, %"
	}
	w := table(what + "\tfirst plan\t50 ms\t250 ms\t1 s\tfirst plan, ms\tbound, ms\tM changes/s of one search\tviolations")
	for _, s := range sizes {
		var gap [4]float64
		var first, bound, rate float64
		wrong := 0
		for seed := range uint64(c.Seeds) {
			p := reference(s[0], s[1], seed)
			if capped {
				p.StartCap = &plan.StartCap{SlotMin: 15, Starts: s[2]}
			}
			f := plan.Measure(p)
			first += f.FirstMS / float64(c.Seeds)
			bound += f.BoundMS / float64(c.Seeds)
			rate += f.MovesPerSecond / 1e6 / float64(c.Seeds)
			for k, b := range []time.Duration{0, 50 * time.Millisecond, 250 * time.Millisecond, time.Second} {
				a := plan.Solve(p, plan.Options{Budget: b, Seed: seed, Threads: c.Threads})
				if err := checked(p, &a); err != nil {
					wrong++
				}
				gap[k] += 100 * (float64(a.MakespanMin)/float64(f.BoundMin) - 1) / float64(c.Seeds)
			}
		}
		fmt.Fprintf(w, "%d × %d\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f\t%.1f\t%.1f\t%d\n", s[0], s[1], gap[0], gap[1], gap[2], gap[3], first, bound, rate, wrong)
	}
	return w.Flush()
}

func (c *planCmd) small() error {
	const cases = 60
	optimal, above := 0, 0
	for seed := range uint64(cases) {
		p := reference(12, 3, seed+1000)
		a := plan.Solve(p, plan.Options{Budget: 250 * time.Millisecond, Seed: seed, Threads: c.Threads})
		if err := checked(p, &a); err != nil {
			return err
		}
		pj, err := json.Marshal(p)
		if err != nil {
			return err
		}
		best, ok := judge.Optimum(pj)
		if !ok {
			return fmt.Errorf("seed %d has no optimum", seed)
		}
		if a.MakespanMin == best {
			optimal++
		}
		if a.BoundMin > best {
			above++
		}
	}
	fmt.Printf("\n12 × 3 at 250 ms against the exact optimum: optimal in %d of %d; bound above the optimum in %d\n", optimal, cases, above)
	return nil
}

// rules compares the plan with two rules at the machines, durations exact.
func (c *planCmd) rules() error {
	w := table("mean hours, exact durations\tnext in list to the first free\tlongest first\tplan, 1 s\tbound\tsaved against the first\tagainst the second")
	for _, s := range sizes {
		var free, lpt, best, bound float64
		for seed := range uint64(c.Seeds) {
			p := reference(s[0], s[1], seed)
			n := float64(c.Seeds) * 60
			free += float64(runRule(p, nil, nextInList)) / n
			lpt += float64(runRule(p, nil, longestFirst)) / n
			a := plan.Solve(p, plan.Options{Budget: time.Second, Seed: seed, Threads: c.Threads})
			best += float64(a.MakespanMin) / n
			bound += float64(a.BoundMin) / n
		}
		fmt.Fprintf(w, "%d × %d\t%.1f\t%.1f\t%.1f\t%.1f\t%.0f %%\t%.0f %%\n", s[0], s[1], free, lpt, best, bound, 100*(1-best/free), 100*(1-best/lpt))
	}
	return w.Flush()
}

type rule func(p *plan.Problem, open []int, printer string) int

func nextInList(p *plan.Problem, open []int, printer string) int {
	for k, j := range open {
		if _, ok := p.Jobs[j].Minutes[printer]; ok {
			return k
		}
	}
	return -1
}

func longestFirst(p *plan.Problem, open []int, printer string) int {
	best, at := 0, -1
	for k, j := range open {
		if d := p.Jobs[j].Minutes[printer]; d > best {
			best, at = d, k
		}
	}
	return at
}

// runRule plays a rule: whichever printer can be started next takes what the rule
// picks. real, where given, are the true minutes of each job.
func runRule(p *plan.Problem, real []int, pick rule) int {
	open := make([]int, len(p.Jobs))
	for j := range open {
		open[j] = j
	}
	next := attended(p)
	at := make([]int, len(p.Printers))
	for i := range at {
		at[i] = next(0)
	}
	done := 0
	for len(open) > 0 {
		i := 0
		for k := range at {
			if at[k] < at[i] {
				i = k
			}
		}
		k := pick(p, open, p.Printers[i].Name)
		if k < 0 {
			at[i] = math.MaxInt
			continue
		}
		j := open[k]
		open = slices.Delete(open, k, k+1)
		d := p.Jobs[j].Minutes[p.Printers[i].Name]
		if real != nil {
			d = real[j]
		}
		done = max(done, at[i]+d)
		at[i] = next(at[i] + d)
	}
	return done
}

// attended gives the next start at or after a minute.
func attended(p *plan.Problem) func(int) int {
	home, hands := p.People[0].Home, p.People[0].HandsMin
	return func(t int) int {
		k := sort.Search(len(home), func(k int) bool { return home[k][1]-hands >= t })
		return max(t, home[k][0])
	}
}

// online plays builds whose durations are off by up to 10 % either way, evenly, and
// plans again before each start, with and without the ranges.
func (c *planCmd) online() error {
	w := table("mean hours, durations ±10 %, planned again before each start\tfirst free\tlongest first\tplan without ranges\tplan with ranges\tsaved\tand\tplanned at first\tends above it")
	s := sizes[0]
	var free, lpt, bare, ranged, hoped float64
	n := float64(c.Seeds) * 60
	for seed := range uint64(c.Seeds) {
		p := reference(s[0], s[1], seed)
		r := rand.New(rand.NewPCG(seed, 17))
		real := make([]int, len(p.Jobs))
		for j := range real {
			for _, d := range p.Jobs[j].Minutes {
				real[j] = d
			}
			real[j] = int(math.Round(float64(real[j]) * (0.9 + 0.2*r.Float64())))
		}
		free += float64(runRule(p, real, nextInList)) / n
		lpt += float64(runRule(p, real, longestFirst)) / n
		done, _ := playOnline(p, real, 0, seed)
		bare += float64(done) / n
		done, first := playOnline(p, real, 0.1, seed)
		ranged += float64(done) / n
		hoped += float64(first) / n
	}
	fmt.Fprintf(w, "%d × %d\t%.1f\t%.1f\t%.1f\t%.1f\t%.0f %%\t%.0f %%\t%.1f\t%+.1f %%\n", s[0], s[1], free, lpt, bare, ranged, 100*(1-ranged/free), 100*(1-ranged/lpt), hoped, 100*(ranged/hoped-1))
	return w.Flush()
}

// playOnline follows plans: at each start the house is planned again. It gives the
// end and what the first plan promised.
func playOnline(p *plan.Problem, real []int, err float64, seed uint64) (done, first int) {
	index := map[string]int{}
	all := map[string]plan.Task{}
	for j, job := range p.Jobs {
		index[job.ID] = j
		t := plan.Task{ID: job.ID, On: map[string]plan.Range{}}
		for name, d := range job.Minutes {
			t.On[name] = plan.Range{Low: int(float64(d) * (1 - err)), Mean: d, High: int(float64(d) * (1 + err))}
		}
		all[job.ID] = t
	}
	began := time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC)
	ends := map[string]int{}    // the truth
	planned := map[string]int{} // what is thought
	var before *plan.Plan
	now := 0
	house := func() *plan.House {
		h := &plan.House{Now: began.Add(time.Duration(now) * time.Minute), HandsMin: 15, People: []plan.Attendant{{Name: "An"}}}
		for _, w := range p.People[0].Home {
			if w[1] > now {
				h.People[0].Home = append(h.People[0].Home, plan.Window{w[0] - now, w[1] - now})
			}
		}
		for _, m := range p.Printers {
			x := plan.Machine{Name: m.Name}
			if ends[m.Name] > now {
				x.Running, x.RunningEnds = "a job", max(planned[m.Name]-now, 1)
				x.ReadyMin = x.RunningEnds
			}
			h.Machines = append(h.Machines, x)
		}
		for _, job := range p.Jobs {
			if t, ok := all[job.ID]; ok {
				h.Tasks = append(h.Tasks, t)
			}
		}
		return h
	}
	next := attended(p)
	for len(all) > 0 {
		// The next moment at which something can start: now, or when a run ends.
		h := house()
		budget := plan.Options{Moves: 4000, Seed: seed + uint64(now)}
		if before == nil {
			budget.Moves = 200_000
		}
		before = plan.Make(h, before, budget)
		if first == 0 {
			first = before.DoneMin
		}
		started := false
		for _, s := range before.Steps {
			if s.StartMin <= 0 && ends[s.Machine] <= now {
				j := index[s.Task]
				ends[s.Machine], planned[s.Machine] = now+real[j], now+p.Jobs[j].Minutes[s.Machine]
				done = max(done, ends[s.Machine])
				delete(all, s.Task)
				started = true
			}
		}
		if started {
			continue
		}
		at := math.MaxInt
		for _, m := range p.Printers {
			if e := ends[m.Name]; e > now {
				at = min(at, next(e))
			}
		}
		for _, s := range before.Steps { // a start that the plan holds back
			if s.StartMin > 0 {
				at = min(at, next(now+s.StartMin))
			}
		}
		now = max(at, next(now+1))
		if at > now {
			now = at
		}
	}
	return done, first
}

// replan measures planning after an event, warm, beside what a second gives.
func (c *planCmd) replan() error {
	w := table("planned again after an event, at 15 ms\tp50, ms\tp99, ms\tmost, ms\tabove what 1 s gives, mean %")
	for _, s := range sizes {
		p := reference(s[0], s[1], 1)
		h := &plan.House{Now: time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC), HandsMin: 15, People: []plan.Attendant{{Name: "An", Home: p.People[0].Home}}}
		for _, m := range p.Printers {
			h.Machines = append(h.Machines, plan.Machine{Name: m.Name})
		}
		for _, job := range p.Jobs {
			t := plan.Task{ID: job.ID, On: map[string]plan.Range{}}
			for name, d := range job.Minutes {
				t.On[name] = plan.Range{Mean: d}
			}
			h.Tasks = append(h.Tasks, t)
		}
		before := plan.Make(h, nil, plan.Options{Budget: time.Second, Seed: 1, Threads: c.Threads})
		var took []float64
		above := 0.0
		const events, compared = 100, 4
		r := rand.New(rand.NewPCG(1, 23))
		for k := range events {
			other := h.Clone()
			other.Machines[r.IntN(len(other.Machines))].ReadyMin = r.IntN(600) // one is late
			other.Tasks = slices.Delete(other.Tasks, k%len(other.Tasks), k%len(other.Tasks)+1)
			began := time.Now()
			a := plan.Make(other, before, plan.Options{Budget: 15 * time.Millisecond, Seed: uint64(k), Threads: 1})
			took = append(took, float64(time.Since(began).Microseconds())/1000)
			if k < compared {
				b := plan.Make(other, before, plan.Options{Budget: time.Second, Seed: uint64(k), Threads: c.Threads})
				above += 100 * (float64(a.DoneMin)/float64(b.DoneMin) - 1) / compared
			}
		}
		slices.Sort(took)
		fmt.Fprintf(w, "%d × %d\t%.1f\t%.1f\t%.1f\t%.2f\n", s[0], s[1], took[events/2], took[events-2], took[events-1], above)
	}
	return w.Flush()
}

// coverage plays builds whose durations are not of the forecaster's model: heavy
// tails (Student's t with 3 degrees of freedom), a drifting level and stretches of
// 12 runs that err together. The forecaster sees 240 such runs before each build.
func (c *planCmd) coverage() error {
	const builds = 1000
	inside, below := 0, 0
	for seed := range uint64(builds) {
		r := rand.New(rand.NewPCG(seed, 5))
		level, stretch, runs := 0.05*r.NormFloat64(), 0.0, 0
		draw := func() float64 {
			if runs%12 == 0 {
				stretch = 0.06 * r.NormFloat64()
			}
			runs++
			level += 0.003 * r.NormFloat64()
			v := 0.0
			for range 3 {
				x := r.NormFloat64()
				v += x * x
			}
			return level + stretch + 0.05*r.NormFloat64()/math.Sqrt(v/3)
		}
		p := reference(30, 4, seed)
		h := &plan.House{Now: time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC), HandsMin: 15, People: []plan.Attendant{{Name: "An", Home: p.People[0].Home}}}
		for _, m := range p.Printers {
			h.Machines = append(h.Machines, plan.Machine{Name: m.Name})
		}
		for _, job := range p.Jobs {
			t := plan.Task{ID: job.ID, On: map[string]plan.Range{}}
			for name, d := range job.Minutes {
				t.On[name] = plan.Range{Mean: d}
			}
			h.Tasks = append(h.Tasks, t)
		}
		for range 240 {
			h.Noise.Residuals = append(h.Noise.Residuals, draw())
		}
		made := plan.Make(h, nil, plan.Options{Moves: 2000, Seed: seed})
		f := plan.Foresee(h, made, 400, seed)
		next := attended(p)
		free, done := map[string]int{}, 0
		for _, s := range made.Steps {
			start := next(free[s.Machine])
			free[s.Machine] = start + int(math.Round(float64(s.EndMin-s.StartMin)*math.Exp(draw())))
			done = max(done, free[s.Machine])
		}
		switch {
		case done < f.Build.P10:
			below++
		case done <= f.Build.P90:
			inside++
		}
	}
	fmt.Printf("\nforecast of %d simulated builds: the 80 %% range held the end in %.1f %%; sooner in %.1f %%, later in %.1f %%\n",
		builds, 100*float64(inside)/builds, 100*float64(below)/builds, 100*float64(builds-inside-below)/builds)
	return nil
}

// plainInstance is the plain problem: nobody is needed at a start.
func plainInstance() *plan.Problem {
	p := reference(60, 5, 7)
	for i := range p.Printers {
		p.Printers[i].SelfClearing = true
	}
	return p
}

// plainLP writes the plain problem as a mixed integer program in the format that
// general solvers read: least C with the load of every printer at most C.
func plainLP(p *plan.Problem) string {
	var b strings.Builder
	b.WriteString("Minimize\n obj: C\nSubject To\n")
	for i, m := range p.Printers {
		fmt.Fprintf(&b, " load%d: ", i)
		for j, job := range p.Jobs {
			if d, ok := job.Minutes[m.Name]; ok {
				fmt.Fprintf(&b, "%d x%d_%d + ", d, j, i)
			}
		}
		b.WriteString("0 C - C <= 0\n")
	}
	for j, job := range p.Jobs {
		fmt.Fprintf(&b, " job%d: ", j)
		plus := ""
		for i, m := range p.Printers {
			if _, ok := job.Minutes[m.Name]; ok {
				fmt.Fprintf(&b, "%sx%d_%d", plus, j, i)
				plus = " + "
			}
		}
		b.WriteString(" = 1\n")
	}
	b.WriteString("Binary\n")
	for j, job := range p.Jobs {
		for i, m := range p.Printers {
			if _, ok := job.Minutes[m.Name]; ok {
				fmt.Fprintf(&b, " x%d_%d\n", j, i)
			}
		}
	}
	b.WriteString("End\n")
	return strings.ReplaceAll(b.String(), "+ 0 C - C", "- C")
}

// mip compares with a general solver on the plain problem where one is installed,
// and with the recorded result otherwise.
func (c *planCmd) mip() error {
	p := plainInstance()
	a := plan.Solve(p, plan.Options{Budget: 250 * time.Millisecond, Seed: 1, Threads: c.Threads})
	if err := checked(p, &a); err != nil {
		return err
	}
	fmt.Printf("\nthe plain problem, 60 × 5, seed 7, at 250 ms: %d minutes, bound %d, in %.0f ms\n", a.MakespanMin, a.BoundMin, a.MS)
	cbc, err := exec.LookPath("cbc")
	if err != nil {
		fmt.Println("no cbc here; its recorded result is in cmd/bench/testdata/plain-60x5.txt")
		return nil
	}
	f, err := os.CreateTemp("", "plain*.lp")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	if _, err := f.WriteString(plainLP(p)); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	out, err := exec.Command(cbc, f.Name(), "sec", "60", "solve", "quit").CombinedOutput()
	if err != nil {
		return fmt.Errorf("cbc: %w", err)
	}
	for _, line := range strings.Split(string(out), "\n") {
		if strings.HasPrefix(line, "Objective value") || strings.HasPrefix(line, "Result") || strings.HasPrefix(line, "Total time") || strings.HasPrefix(line, "Lower bound") {
			fmt.Println("  cbc:", line)
		}
	}
	return nil
}
