package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"time"

	"github.com/alecthomas/kong"

	"undercroft/queue/plan"
)

// planCmd plans a stand-alone problem.
type planCmd struct {
	Problem string        `required:"" placeholder:"FILE.json" help:"Plan this problem, in whole minutes; - reads it from standard input."`
	Budget  time.Duration `default:"250ms" help:"How long the planner may look for a better plan."`
	Seed    uint64        `default:"1" help:"Seed of the search."`
	Moves   int           `help:"Try so many changes instead of using a time: the same seed then gives the same plan on any machine."`
	JSON    bool          `name:"json" help:"Print the plan as JSON."`
}

// Run reads, plans and prints.
func (c *planCmd) Run(k *kong.Context) error {
	if c.Budget < 0 || c.Budget > time.Hour {
		return exitf(exitUsage, "--budget is %s; it lies between 0 and 1h", c.Budget)
	}
	if c.Moves < 0 {
		return exitf(exitUsage, "--moves is %d; it cannot be below 0", c.Moves)
	}
	p, notes, err := c.read()
	if err != nil {
		return err
	}
	o := plan.Options{Budget: c.Budget, Seed: c.Seed, Threads: runtime.GOMAXPROCS(0)}
	if c.Moves > 0 {
		o.Budget, o.Moves, o.Threads = 0, c.Moves, 1
	}
	a := plan.Solve(p, o)
	a.Notes = append(notes, a.Notes...)
	if c.JSON {
		e := json.NewEncoder(k.Stdout)
		e.SetEscapeHTML(false)
		return e.Encode(a)
	}
	writePlan(k.Stdout, &a)
	return nil
}

func (c *planCmd) read() (*plan.Problem, []string, error) {
	in, name := io.Reader(os.Stdin), "standard input"
	if c.Problem != "-" {
		name = c.Problem
		f, err := os.Open(c.Problem)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, exitf(exitNotFound, "there is no file %s", c.Problem)
		}
		if err != nil {
			return nil, nil, exitf(exitInternal, "cannot open %s: %v", c.Problem, err)
		}
		defer f.Close()
		in = f
	}
	p, notes, err := plan.ReadProblem(in)
	var bad *plan.ReadError
	if errors.As(err, &bad) {
		return nil, nil, exitf(exitRefused, "%s, %v", name, bad)
	}
	if err != nil {
		return nil, nil, exitf(exitInternal, "cannot read %s: %v", name, err)
	}
	return p, notes, nil
}

// writePlan prints a plan for a person.
func writePlan(w io.Writer, a *plan.Answer) {
	for _, n := range a.Notes {
		fmt.Fprintf(w, "note: %s\n", n)
	}
	for _, l := range a.LeftOut {
		fmt.Fprintf(w, "left out: %s: %s\n", l.Job, l.Why)
	}
	if len(a.Starts) == 0 {
		fmt.Fprintln(w, "Nothing to start.")
		return
	}
	fmt.Fprintf(w, "%10s %10s  %-16s %s\n", "start min", "end min", "printer", "job")
	for _, s := range a.Starts {
		fmt.Fprintf(w, "%10d %10d  %-16s %s\n", s.StartMin, s.EndMin, s.Printer, s.Job)
	}
	fmt.Fprintf(w, "All done at minute %d (%s). ", a.MakespanMin, spell(float64(a.MakespanMin)*60))
	switch {
	case a.BoundMin == a.MakespanMin:
		fmt.Fprintln(w, "No plan can be sooner.")
	case a.BoundMin > 0:
		fmt.Fprintf(w, "No plan can be sooner than minute %d: this one is at most %.2f %% above the best.\n", a.BoundMin, 100*(float64(a.MakespanMin)/float64(a.BoundMin)-1))
	default:
		fmt.Fprintln(w)
	}
}
