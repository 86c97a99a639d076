// Package judge holds plans against their problems. It shares no code with the
// planner: it reads both as JSON and looks at every minute by itself, slowly, so
// that one mistake cannot hide in both. Tests, soak and bench use it.
package judge

import (
	"encoding/json"
	"fmt"
	"math"
	"math/bits"
	"sort"
)

type problem struct {
	Home   [][2]int `json:"home"`
	People []struct {
		Home  *[][2]int `json:"home"`
		Hands int       `json:"hands_min"`
	} `json:"people"`
	Printers []struct {
		Name  string `json:"name"`
		Ready int    `json:"ready_min"`
		Self  bool   `json:"self_clearing"`
	} `json:"printers"`
	Jobs []struct {
		ID      string         `json:"id"`
		Minutes map[string]int `json:"minutes"`
	} `json:"jobs"`
	Cap *struct {
		Slot   int `json:"slot_min"`
		Starts int `json:"starts"`
	} `json:"start_cap"`
}

type answer struct {
	Starts []struct {
		Job     string `json:"job"`
		Printer string `json:"printer"`
		Start   int    `json:"start_min"`
		End     int    `json:"end_min"`
	} `json:"starts"`
	Makespan int `json:"makespan_min"`
	Bound    int `json:"bound_min"`
	LeftOut  []struct {
		Job string `json:"job"`
	} `json:"left_out"`
}

// attended says whether somebody can start a job at a minute.
func (p *problem) attended(s int) bool {
	if len(p.People) == 0 {
		for _, w := range p.Home {
			if s >= w[0] && s < w[1] {
				return true
			}
		}
	}
	for _, x := range p.People {
		home := p.Home
		if x.Home != nil {
			home = *x.Home
		}
		for _, w := range home {
			if s >= w[0] && s < w[1] && s+x.Hands <= w[1] {
				return true
			}
		}
	}
	return false
}

// Check lists what is wrong with an answer to a problem, both as JSON; nil when
// nothing is. Every job must stand in the plan once or be left out by name.
func Check(problemJSON, answerJSON []byte) []string {
	var p problem
	var a answer
	if err := json.Unmarshal(problemJSON, &p); err != nil {
		return []string{"the problem: " + err.Error()}
	}
	if err := json.Unmarshal(answerJSON, &a); err != nil {
		return []string{"the answer: " + err.Error()}
	}
	var wrong []string
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	seen := map[string]int{}
	for _, l := range a.LeftOut {
		seen[l.Job]++
	}
	slots := map[int]int{}
	last := 0
	on := map[string][][2]int{}
	for _, s := range a.Starts {
		seen[s.Job]++
		minutes, known := 0, false
		for _, j := range p.Jobs {
			if j.ID == s.Job {
				minutes, known = j.Minutes[s.Printer]
			}
		}
		if !known {
			say("%s cannot run on %s", s.Job, s.Printer)
		}
		if s.End-s.Start != minutes {
			say("%s on %s takes %d minutes, not %d", s.Job, s.Printer, minutes, s.End-s.Start)
		}
		if s.Start < 0 {
			say("%s starts before minute 0", s.Job)
		}
		for _, m := range p.Printers {
			if m.Name != s.Printer {
				continue
			}
			if s.Start < m.Ready {
				say("%s starts at %d, %s is ready at %d", s.Job, s.Start, m.Name, m.Ready)
			}
			if !m.Self && !p.attended(s.Start) {
				say("%s starts at %d on %s, where nobody is there", s.Job, s.Start, m.Name)
			}
		}
		if p.Cap != nil {
			slots[s.Start/p.Cap.Slot]++
		}
		last = max(last, s.End)
		on[s.Printer] = append(on[s.Printer], [2]int{s.Start, s.End})
	}
	for name, runs := range on {
		sort.Slice(runs, func(a, b int) bool { return runs[a][0] < runs[b][0] })
		for k := 1; k < len(runs); k++ {
			if runs[k][0] < runs[k-1][1] {
				say("%s runs two jobs at minute %d", name, runs[k][0])
			}
		}
	}
	for slot, n := range slots {
		if n > p.Cap.Starts {
			say("%d starts in the slot at minute %d, the cap is %d", n, slot*p.Cap.Slot, p.Cap.Starts)
		}
	}
	for _, j := range p.Jobs {
		if seen[j.ID] != 1 {
			say("%s stands in the answer %d times", j.ID, seen[j.ID])
		}
		delete(seen, j.ID)
	}
	for id := range seen {
		say("there is no job %s", id)
	}
	if a.Makespan != last {
		say("the makespan is %d, not %d", last, a.Makespan)
	}
	if a.Bound > last {
		say("the bound %d lies above the plan's own end %d", a.Bound, last)
	}
	return wrong
}

// Optimum is the least makespan of a problem without a cap on starts, by dynamic
// programming over subsets: the earliest end of each set of jobs on each printer
// is exact, because a start that is later never lets what follows be earlier. It
// is for up to 15 jobs on 3 printers or so (n·2ⁿ·m + m·3ⁿ steps). It is false where
// some job can never be done.
func Optimum(problemJSON []byte) (int, bool) {
	var p problem
	if err := json.Unmarshal(problemJSON, &p); err != nil || p.Cap != nil {
		return 0, false
	}
	n := len(p.Jobs)
	whole := 1<<n - 1
	last := 0
	for _, w := range p.Home {
		last = max(last, w[1])
	}
	for _, x := range p.People {
		if x.Home != nil {
			for _, w := range *x.Home {
				last = max(last, w[1])
			}
		}
	}
	next := make([]int, last+1)
	next[last] = math.MaxInt32
	for t := last - 1; t >= 0; t-- {
		next[t] = next[t+1]
		if p.attended(t) {
			next[t] = t
		}
	}
	var best []int // by set: the least makespan on the printers so far
	for _, m := range p.Printers {
		f := make([]int, whole+1)
		for set := 1; set <= whole; set++ {
			f[set] = math.MaxInt32
			for left := set; left != 0; left &= left - 1 {
				j := bits.TrailingZeros(uint(left))
				d, ok := p.Jobs[j].Minutes[m.Name]
				free := f[set&^(1<<j)]
				if !ok || free == math.MaxInt32 {
					continue
				}
				free = max(free, m.Ready)
				s := free
				if !m.Self {
					if free > last {
						continue
					}
					s = next[free]
				}
				if s < math.MaxInt32 {
					f[set] = min(f[set], s+d)
				}
			}
		}
		if best == nil {
			best = f
			continue
		}
		both := make([]int, whole+1)
		for set := 0; set <= whole; set++ {
			low := math.MaxInt32
			for part := set; ; part = (part - 1) & set {
				low = min(low, max(f[part], best[set&^part]))
				if part == 0 {
					break
				}
			}
			both[set] = low
		}
		best = both
	}
	if best == nil {
		return 0, n == 0
	}
	return best[whole], best[whole] < math.MaxInt32
}
