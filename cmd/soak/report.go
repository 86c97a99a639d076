package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// report adds up what came of connections.
type report struct {
	began       time.Time
	took        time.Duration
	inMemory    time.Duration // of it, the printers in memory
	memoryLines int64
	rows        map[string]*tally // by family
	mixes       map[string]*tally // by what went wrong on the line
	unheard     map[string]int    // connections that never came about, by cause
	ptyRuns     int
	deeds       map[string]int // what was done in mid-file
	failures    int            // violations
}

// tally is one row.
type tally struct {
	runs, finished int
	causes         map[string]int
	lines, resends int64
	undetectable   int64
	unverified     int64
	spoilt         int // runs in which something undetectable was executed
	caught         int // of them, stopped by the position check
	violations     int
	simulated      time.Duration
}

func (t *tally) add(r run) {
	v := &r.verdict
	t.runs++
	t.lines += v.Executed
	t.resends += r.resends
	t.undetectable += v.Undetectable
	t.unverified += v.Unverified
	t.violations += len(v.Violations)
	t.simulated += r.took
	if r.cause == "" {
		t.finished++
	} else {
		if t.causes == nil {
			t.causes = map[string]int{}
		}
		t.causes[r.cause]++
	}
	if v.Undetectable > 0 {
		t.spoilt++
		if r.cause == "position" || r.cause == "desync" {
			t.caught++
		}
	}
}

// add takes a connection and gives its violations, in words.
func (p *report) add(o outcome) (violations []string) {
	if p.rows == nil {
		p.deeds = map[string]int{}
		p.rows, p.mixes, p.unheard = map[string]*tally{}, map[string]*tally{}, map[string]int{}
	}
	for _, b := range o.broken {
		violations = append(violations, "violation: "+b+"\n  "+o.plan.String())
	}
	if o.unheard != "" {
		p.unheard[o.unheard]++
	}
	family := string(o.plan.family)
	if o.plan.all {
		family += ", all options"
	}
	mix, _, _ := strings.Cut(o.plan.mix, " + ")
	for _, r := range o.runs {
		row(p.rows, family).add(r)
		for d, n := range r.deeds {
			p.deeds[d] += n
		}
		row(p.mixes, mix).add(r)
		if o.plan.pty {
			p.ptyRuns++
		}
		for _, text := range r.verdict.Violations {
			violations = append(violations, fmt.Sprintf("violation: file %d, %s\n  %s; ended: %q %s; noted: %q", r.file+1, text, o.plan, r.cause, r.text, r.verdict.Notes))
		}
	}
	p.failures += len(violations)
	return violations
}

func row(m map[string]*tally, name string) *tally {
	t := m[name]
	if t == nil {
		t = &tally{}
		m[name] = t
	}
	return t
}

// write prints the tables.
func (p *report) write(w io.Writer) {
	p.table(w, "family", p.rows)
	fmt.Fprintln(w)
	p.table(w, "on the line", p.mixes)
	all := p.sum()
	fmt.Fprintln(w)
	p.causeTable(w, all)
	fmt.Fprintf(w, "\n%d files streamed (%d on pseudo-terminals), %d finished; %d lines of files executed in %.1f s; %.1f hours of the printers' line time.\n",
		all.runs, p.ptyRuns, all.finished, all.lines, p.took.Seconds(), all.simulated.Hours())
	fmt.Fprint(w, "Done in mid-file:")
	for _, d := range keys(p.deeds) {
		fmt.Fprintf(w, " %s %d;", d, p.deeds[d])
	}
	fmt.Fprintln(w)
	if s := p.inMemory.Seconds(); s > 0 {
		fmt.Fprintf(w, "In memory: %.0f lines/s.\n", float64(p.memoryLines)/s)
	}
	fmt.Fprintf(w, "%d damaged lines bore a checksum that fits (undetectable), in %d runs, of which the position check stopped %d. %d lines ran without number and checksum.\n",
		all.undetectable, all.spoilt, all.caught, all.unverified)
	fmt.Fprintf(w, "Violations: %d\n", p.failures)
}

// causeTable says for each family why runs were stopped.
func (p *report) causeTable(w io.Writer, all *tally) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(tw, "stopped\t")
	for _, name := range keys(p.rows) {
		fmt.Fprintf(tw, "%s\t", name)
	}
	fmt.Fprint(tw, "all\t\n")
	for _, c := range keys(all.causes) {
		fmt.Fprintf(tw, "%s\t", c)
		for _, name := range keys(p.rows) {
			fmt.Fprintf(tw, "%d\t", p.rows[name].causes[c])
		}
		fmt.Fprintf(tw, "%d\t\n", all.causes[c])
	}
	tw.Flush()
	for _, c := range keys(p.unheard) {
		fmt.Fprintf(w, "no conversation came about, %s: %d\n", c, p.unheard[c])
	}
}

func (p *report) sum() *tally {
	all := &tally{causes: map[string]int{}}
	for _, t := range p.rows {
		all.runs += t.runs
		all.finished += t.finished
		all.lines += t.lines
		all.resends += t.resends
		all.undetectable += t.undetectable
		all.unverified += t.unverified
		all.spoilt += t.spoilt
		all.caught += t.caught
		all.violations += t.violations
		all.simulated += t.simulated
		for c, n := range t.causes {
			all.causes[c] += n
		}
	}
	return all
}

func (p *report) table(w io.Writer, head string, rows map[string]*tally) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(tw, "%s\tfiles\tfinished\tlines\tresends\tundetectable\tcaught\tunverified\tviolations\t\n", head)
	for _, name := range keys(rows) {
		t := rows[name]
		fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t\n", name, t.runs, t.finished, t.lines, t.resends,
			t.undetectable, t.caught, t.unverified, t.violations)
	}
	tw.Flush()
}

func keys[V any](m map[string]V) []string {
	var k []string
	for name := range m {
		k = append(k, name)
	}
	slices.Sort(k)
	return k
}
