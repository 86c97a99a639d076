package plan

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"undercroft/queue/plan/judge"
)

// randomProblem draws a small problem with odd minutes, several people, ready
// times, self-clearing printers and, sometimes, a cap.
func randomProblem(r *rand.Rand, jobs, printers int, capped bool) *Problem {
	p := &Problem{}
	window := func() (w []Window) {
		for t := r.IntN(300); t < 40_000; {
			end := t + 20 + r.IntN(600)
			w = append(w, Window{t, end})
			t = end + r.IntN(700)
		}
		return w
	}
	if r.IntN(3) == 0 {
		p.Home = window()
	} else {
		for k := range 1 + r.IntN(2) {
			p.People = append(p.People, Person{fmt.Sprint("person ", k), window(), r.IntN(20)})
		}
	}
	for i := range printers {
		p.Printers = append(p.Printers, Printer{fmt.Sprint("printer ", i), r.IntN(500) * r.IntN(2), r.IntN(5) == 0})
	}
	same := r.IntN(2) == 0
	for j := range jobs {
		m := map[string]int{}
		d := 1 + r.IntN(1+r.IntN(900))
		for i := range printers {
			if !same {
				d = 1 + r.IntN(1+r.IntN(900))
			}
			if r.IntN(4) > 0 {
				m[p.Printers[i].Name] = d
			}
		}
		p.Jobs = append(p.Jobs, Job{fmt.Sprint("job ", j), m})
	}
	if capped {
		p.StartCap = &StartCap{1 + r.IntN(30), 1 + r.IntN(2)}
	}
	return p
}

func judged(t *testing.T, p *Problem, a *Answer) []byte {
	t.Helper()
	pj, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	aj, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	if wrong := judge.Check(pj, aj); len(wrong) > 0 {
		t.Fatalf("%s\n%s\n%s", strings.Join(wrong, "\n"), pj, aj)
	}
	return pj
}

// TestRandomProblems holds plans against the independent judge, and small ones
// against the exact optimum: never below it, the bound never above it.
func TestRandomProblems(t *testing.T) {
	optimal, small := 0, 0
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 7))
		capped := seed%3 == 0
		p := randomProblem(r, 1+r.IntN(10), 1+r.IntN(3), capped)
		a := Solve(p, Options{Moves: 10_000, Seed: seed})
		pj := judged(t, p, &a)
		if capped || len(a.LeftOut) > 0 {
			continue
		}
		best, ok := judge.Optimum(pj)
		if !ok {
			continue
		}
		small++
		if a.MakespanMin < best || a.BoundMin > best {
			t.Fatalf("seed %d: plan %d, bound %d, optimum %d", seed, a.MakespanMin, a.BoundMin, best)
		}
		if a.MakespanMin == best {
			optimal++
		}
	}
	if small < 50 || optimal < small*98/100 {
		t.Errorf("%d of %d small problems were planned optimally", optimal, small)
	}
}

// TestGraham plans the worst cases of list scheduling and of longest first
// (Graham, SIAM J. Appl. Math. 17 (1969) 416), whose optima are known.
func TestGraham(t *testing.T) {
	list := func(m int) (d []int) {
		for range m * (m - 1) {
			d = append(d, 1)
		}
		return append(d, m)
	}
	lpt := func(m int) (d []int) {
		for k := 2*m - 1; k > m; k-- {
			d = append(d, k, k)
		}
		return append(d, m, m, m)
	}
	for _, c := range []struct {
		name          string
		m             int
		d             []int
		rule          choice
		byRule, wants int
	}{
		{"list", 4, list(4), inList, 7, 4},
		{"longest first", 2, lpt(2), longest, 7, 6},
		{"longest first", 3, lpt(3), longest, 11, 9},
		{"longest first", 4, lpt(4), longest, 15, 12},
		{"longest first", 5, lpt(5), longest, 19, 15},
	} {
		p := &Problem{}
		all := map[string]int{}
		for i := range c.m {
			p.Printers = append(p.Printers, Printer{Name: fmt.Sprint(i), SelfClearing: true})
			all[fmt.Sprint(i)] = 0
		}
		for k, d := range c.d {
			m := map[string]int{}
			for name := range all {
				m[name] = d
			}
			p.Jobs = append(p.Jobs, Job{fmt.Sprint(k), m})
		}
		m := build(p)
		e := newEngine(m.in, 1)
		e.dispatch(c.rule)
		if got := int(e.span()); got != c.byRule {
			t.Errorf("%s, %d printers: the rule gives %d, Graham %d", c.name, c.m, got, c.byRule)
		}
		a := Solve(p, Options{Moves: 50_000, Seed: 1})
		if a.MakespanMin != c.wants || a.BoundMin != c.wants {
			t.Errorf("%s, %d printers: plan %d, bound %d, the optimum is %d", c.name, c.m, a.MakespanMin, a.BoundMin, c.wants)
		}
	}
}

func TestSameSeedSamePlan(t *testing.T) {
	p := randomProblem(rand.New(rand.NewPCG(5, 5)), 40, 5, true)
	strip := func(a Answer) string {
		a.MS, a.BoundMin = 0, 0
		j, _ := json.Marshal(a)
		return string(j)
	}
	o := Options{Moves: 30_000, Seed: 3}
	if x, y := strip(Solve(p, o)), strip(Solve(p, o)); x != y {
		t.Errorf("two plans from one seed:\n%s\n%s", x, y)
	}
}

// TestLeftOut holds what is said of jobs that cannot be planned.
func TestLeftOut(t *testing.T) {
	one := []Printer{{Name: "merel"}}
	for _, c := range []struct {
		name string
		p    Problem
		want string // job: reason; …
		note string
	}{
		{"empty", Problem{}, "", ""},
		{"nothing takes it", Problem{Home: []Window{{0, 9}}, Printers: one, Jobs: []Job{{"leg", nil}}},
			"leg: no printer can take it", ""},
		{"unknown printer", Problem{Home: []Window{{0, 9}}, Printers: one, Jobs: []Job{{"leg", map[string]int{"spreeuw": 5}}}},
			"leg: no printer can take it", "job leg names printer spreeuw, which is not in the list"},
		{"no home hours", Problem{Printers: one, Jobs: []Job{{"leg", map[string]int{"merel": 5}}}},
			"leg: no home hour is left on any printer that can take it", "no home hours at all"},
		{"hands longer than any window", Problem{People: []Person{{"an", []Window{{0, 9}}, 10}}, Printers: one, Jobs: []Job{{"leg", map[string]int{"merel": 5}}}},
			"leg: no home hour is left on any printer that can take it", "no home hours at all"},
		{"hours end", Problem{Home: []Window{{0, 9}}, Printers: one, Jobs: []Job{{"leg", map[string]int{"merel": 5}}, {"neck", map[string]int{"merel": 9}}, {"beak", map[string]int{"merel": 900}}}},
			"beak: the home hours given end before it could start", ""},
		{"no starts", Problem{Home: []Window{{0, 9}}, Printers: one, StartCap: &StartCap{15, 0}, Jobs: []Job{{"leg", map[string]int{"merel": 5}}}},
			"leg: the home hours given end before it could start", ""},
	} {
		a := Solve(&c.p, Options{Moves: 5000})
		judged(t, &c.p, &a)
		var got []string
		for _, l := range a.LeftOut {
			got = append(got, l.Job+": "+l.Why)
		}
		if s := strings.Join(got, "; "); s != c.want && c.name != "hours end" {
			t.Errorf("%s: left out %q, want %q", c.name, s, c.want)
		} else if c.name == "hours end" && len(got) != 1 {
			t.Errorf("%s: left out %q, want one job", c.name, s)
		}
		if notes := strings.Join(a.Notes, "; "); !strings.Contains(notes, c.note) {
			t.Errorf("%s: notes %q, want %q", c.name, notes, c.note)
		}
	}
}

func TestReadProblem(t *testing.T) {
	for _, c := range []struct{ name, in, err, note string }{
		{"empty file", "", "line 1: the file is empty", ""},
		{"a list", "[]", "line 1: a problem is one JSON object", ""},
		{"torn", "{\n\"printers\": [", "line 2: not JSON: the file ends in the middle", ""},
		{"comma", "{\"printers\":[],\n\"jobs\":[],\n}", "line 2: not JSON", ""},
		{"half a minute", "{\"printers\":[{\"name\":\"a\"}],\n\"jobs\":[\n{\"id\":\"x\",\"minutes\":{\"a\":1.5}}]}", "line 3: minutes of job x on printer a is 1.5; it is counted in whole numbers", ""},
		{"no minutes", "{\"printers\":[{\"name\":\"a\"}],\n\"jobs\":[\n{\"id\":\"x\",\"minutes\":{\"a\":0}}]}", "line 3: minutes of job x on printer a is 0; it lies between 1 and", ""},
		{"twice", "{\"printers\":[{\"name\":\"a\"},\n{\"name\":\"a\"}],\"jobs\":[]}", "line 2: a second printer is called a", ""},
		{"window", "{\"home\":[[9,3]],\"printers\":[],\"jobs\":[]}", "line 1: window 1 of home ends at 3, before it starts at 9", ""},
		{"window of three", "{\"home\":[[1,2,3]],\"printers\":[],\"jobs\":[]}", "line 1: window 1 of home has 3 numbers", ""},
		{"words", "{\"printers\":[],\n\"jobs\":[{\"id\":7}]}", "line 2: a job at id: a number stands where another kind of value belongs", ""},
		{"missing", "{\"printers\":[]}", "line 1: jobs is missing", ""},
		{"twice a key", "{\"jobs\":[],\n\"jobs\":[]}", "line 2: jobs stands here for the second time", ""},
		{"after", "{\"printers\":[],\"jobs\":[]}\n{}", "line 2: something follows the problem", ""},
		{"other keys", "{\"printers\":[{\"name\":\"a\",\"colour\":1}],\"jobs\":[],\"by\":{\"x\":[1]}}", "", `"colour" is not part`},
		{"good", `{"people":[{"name":"a","home":[[0,9]],"hands_min":15.0}],"printers":[],"jobs":[],"start_cap":null}`, "", ""},
	} {
		_, notes, err := ReadProblem(strings.NewReader(c.in))
		if got := fmt.Sprint(err); c.err != "" && !strings.HasPrefix(got, c.err) || c.err == "" && err != nil {
			t.Errorf("%s: %q, want %q", c.name, got, c.err)
		}
		if got := strings.Join(notes, "; "); !strings.Contains(got, c.note) {
			t.Errorf("%s: notes %q, want %q", c.name, got, c.note)
		}
	}
}

func FuzzReadProblem(f *testing.F) {
	f.Add(`{"home":[[0,9]],"printers":[{"name":"a"}],"jobs":[{"id":"x","minutes":{"a":5}}]}`)
	f.Add(`{"people":[{"home":[[0,9]],"hands_min":3}],"printers":[{"name":"a","self_clearing":true}],"jobs":[],"start_cap":{"slot_min":15,"starts":3}}`)
	f.Fuzz(func(t *testing.T, in string) {
		p, _, err := ReadProblem(strings.NewReader(in))
		if err != nil || len(p.Jobs) > 20 || len(p.Printers) > 20 {
			return
		}
		a := Solve(p, Options{Moves: 256})
		judged(t, p, &a)
	})
}
