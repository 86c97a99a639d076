package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"undercroft/cmd/undercroft/heron"
	"undercroft/queue"
)

// demoReport is what the headless demo found when the build was over.
type demoReport struct {
	printers []demoPrinter
	mishaps  []demoMishap
	total    demoPrinter
	parts    int
	done     int
	commands int64 // executed by all virtual printers
	wall     time.Duration
	house    time.Duration
	stillHot []string
	faults   []string // what is not as it should be
}

// demoPrinter is a row of the table; figures are simulated.
type demoPrinter struct {
	name, kind string
	nozzleMM   float64
	parts      int // finished runs
	matched    int // finished runs whose trace is line for line the file
	lines      int64
	hours      float64
	grams      float64
	mishaps    int
	resends    int64
}

type demoMishap struct {
	queue.Mishap
	wanted  string  // the seeded mishap it answers, empty when none
	traceMM float64 // the highest Z at which the virtual printer laid filament in that run
}

// report holds the ledger against the build and the traces.
func (d *demo) report(ctx context.Context, wall time.Duration) (*demoReport, error) {
	r := &demoReport{parts: len(d.build.Parts), commands: d.cellar.commands(), wall: wall, house: d.clock.Now().Sub(d.clock.base)}
	jobs, err := d.daemon.store.Jobs(ctx)
	if err != nil {
		return nil, err
	}
	if len(jobs) != len(d.build.Parts) {
		r.fault("%d jobs stand for %d parts", len(jobs), len(d.build.Parts))
	}
	for _, alarm := range slices.Sorted(maps.Keys(d.alarms)) {
		r.fault("%s", alarm)
	}
	decided := map[string]bool{}
	for i := range jobs {
		switch j := &jobs[i]; j.State {
		case queue.Done:
			r.done++
		case queue.NeedsDecision:
			decided[j.Part] = true
		default:
			r.fault("%s is %s", j.Part, j.State)
		}
	}
	for _, m := range d.build.Mishaps {
		if !decided[m.Part] {
			r.fault("%s should need a decision (%s) and does not", m.Part, m.What)
		}
		delete(decided, m.Part)
	}
	for part := range decided {
		r.fault("%s needs a decision, and nothing was made to go wrong with it", part)
	}
	runs := map[string][]demoRun{}
	for i := range jobs {
		list, err := d.daemon.store.Runs(ctx, jobs[i].ID)
		if err != nil {
			return nil, err
		}
		for _, run := range list {
			runs[run.Printer] = append(runs[run.Printer], demoRun{run, &jobs[i]})
		}
	}
	truth := map[int64]float64{}
	for _, name := range d.cellar.order {
		if err := d.reportPrinter(r, name, runs[name], truth); err != nil {
			return nil, err
		}
	}
	return r, d.reportMishaps(ctx, r, truth)
}

// demoRun is one run with its job.
type demoRun struct {
	queue.Run
	job *queue.Job
}

// reportPrinter holds a printer's runs against its trace, in the order in which
// they ran, and notes for each the highest Z that the trace shows.
func (d *demo) reportPrinter(r *demoReport, name string, runs []demoRun, truth map[int64]float64) error {
	slices.SortFunc(runs, func(a, b demoRun) int { return cmp.Compare(a.ID, b.ID) })
	v := d.cellar.printers[name]
	row := demoPrinter{name: name, kind: v.fitted.Kind, nozzleMM: v.fitted.NozzleMM}
	for _, run := range runs {
		j := run.job
		file, err := os.Open(d.daemon.store.FilePath(j.File.SHA256))
		if err != nil {
			return err
		}
		commands, err := fileCommands(file)
		if err = errors.Join(err, file.Close()); err != nil {
			return err
		}
		n, topMM := v.observer.match(commands)
		truth[run.ID] = topMM
		row.lines += int64(n)
		row.hours += run.EndedAt.Sub(run.StartedAt).Hours()
		row.grams += run.Grams
		row.resends += run.Resends
		if run.Result != "finished" {
			row.mishaps++
			continue
		}
		row.parts++
		if n == len(commands) {
			row.matched++
		} else {
			r.fault("%s on %s counts as finished, but only %d of its %d commands were executed in one piece", j.Part, name, n, len(commands))
		}
	}
	r.printers = append(r.printers, row)
	t := &r.total
	t.parts += row.parts
	t.matched += row.matched
	t.lines += row.lines
	t.hours += row.hours
	t.grams += row.grams
	t.mishaps += row.mishaps
	t.resends += row.resends
	return nil
}

func (d *demo) reportMishaps(ctx context.Context, r *demoReport, truth map[int64]float64) error {
	list, err := d.daemon.store.Mishaps(ctx, true)
	if err != nil {
		return err
	}
	for i := len(list) - 1; i >= 0; i-- { // oldest first
		m := demoMishap{Mishap: list[i], traceMM: truth[list[i].RunID]}
		for _, seeded := range d.build.Mishaps {
			if seeded.Part == m.Part {
				m.wanted = seeded.What
			}
		}
		if m.wanted == "" {
			r.fault("%s on %s: %s (%s), and nothing was made to go wrong with it", m.Part, m.Printer, m.Cause, m.Text)
		}
		// Extrusion ends on the layer's own Z, so the trace is exact.
		if m.wanted != heron.BadYield && m.CompletedMM > m.traceMM+0.001 {
			r.fault("%s: the recorded height of %.2f mm is above the %.2f mm of the trace", m.Part, m.CompletedMM, m.traceMM)
		}
		r.mishaps = append(r.mishaps, m)
	}
	return nil
}

func (r *demoReport) fault(format string, args ...any) {
	r.faults = append(r.faults, fmt.Sprintf(format, args...))
}

// print writes the table; its error says that something is not as it should be.
func (r *demoReport) print(out io.Writer) error {
	fmt.Fprintln(out)
	t := newTable(out, "PRINTER", "KIND", "NOZZLE", "PARTS", "LINE FOR LINE", "LINES", "MACHINE HOURS", "GRAMS", "MISHAPS", "RESENDS")
	row := func(p demoPrinter, nozzle string) {
		t.row(p.name, p.kind, nozzle, fmt.Sprint(p.parts), fmt.Sprintf("%d of %d", p.matched, p.parts), fmt.Sprint(p.lines),
			fmt.Sprintf("%.1f", p.hours), fmt.Sprintf("%.0f", p.grams), fmt.Sprint(p.mishaps), fmt.Sprint(p.resends))
	}
	for _, p := range r.printers {
		row(p, fmt.Sprintf("%.1f", p.nozzleMM))
	}
	r.total.name = "all"
	row(r.total, "")
	if err := t.end(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	t = newTable(out, "MISHAP", "PRINTER", "CAUSE", "LAYERS DOWN", "COMPLETED MM", "TRACE MM", "WANTED MM", "GRAMS")
	for _, m := range r.mishaps {
		t.row(m.Part, m.Printer, m.Cause, fmt.Sprint(m.LayersDone), fmt.Sprintf("%.2f", m.CompletedMM),
			fmt.Sprintf("%.2f", m.traceMM), fmt.Sprintf("%.2f", m.HeightMM), fmt.Sprintf("%.0f", m.GramsSpent))
	}
	if err := t.end(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nAll figures are simulated. %d of %d parts done, %d need a decision. %d lines executed over %d pseudo-terminals.\n",
		r.done, r.parts, r.parts-r.done, r.commands, len(r.printers))
	fmt.Fprintf(out, "%.0f hours of machine time in %.0f house hours took %.0f s (%.0f lines a second).\n",
		r.total.hours, r.house.Hours(), r.wall.Seconds(), float64(r.commands)/r.wall.Seconds())
	if len(r.stillHot) > 0 {
		r.fault("still heated after the daemon ended: %s", strings.Join(r.stillHot, ", "))
	} else {
		fmt.Fprintln(out, "After the daemon ended every heater's target is zero.")
	}
	if len(r.faults) == 0 {
		return nil
	}
	fmt.Fprintln(out)
	for _, f := range r.faults {
		fmt.Fprintf(out, "NOT RIGHT: %s\n", f)
	}
	return exitf(exitInternal, "the build is not as it should be: %s", count(len(r.faults), "fault", "faults"))
}
