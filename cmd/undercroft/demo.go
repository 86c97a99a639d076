package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"time"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/heron"
	"undercroft/queue"
	"undercroft/web"
)

// demoCmd runs the main job on virtual printers.
type demoCmd struct {
	ExitWhenDone bool    `help:"Run the whole build without a page and without a pause, print a table, and end: exit code 0 only when every part is accounted for."`
	Seed         uint64  `default:"1" placeholder:"N" help:"Seed of the build, of the virtual printers and of the stand-in for the person."`
	Pace         float64 `placeholder:"K" help:"House seconds per real second. Left out: 600 to watch, 2400 with --exit-when-done."`
	Listen       string  `default:"127.0.0.1:8017" placeholder:"HOST:PORT" help:"Where the page is; port 0 takes a free one."`
	Alone        bool    `help:"Nobody stands in for the person: clear the plates yourself, on the page or by commands."`
	Data         string  `placeholder:"DIR" help:"Keep the demo's files here. Left out: a temporary folder, removed at the end."`
	Verbose      bool    `short:"v" help:"Log what happens."`
}

const (
	demoStartDelay  = time.Minute      // house time, as shipped
	demoRunoutFails = 20 * time.Minute // house time: nobody brings a new spool in mid-print
	demoReplug      = 2 * time.Second  // real time until a lost link is plugged in again
	demoStandIn     = 12 * time.Second // real time that whoever watches has to answer first
	demoStuck       = time.Minute      // real time in which nothing runs: the headless demo gives up
)

// demoStart is when the demo's house time begins: a Monday morning before the parade.
func demoStart(zone *time.Location) time.Time {
	return time.Date(2026, time.November, 30, 7, 0, 0, 0, zone)
}

// demo is one running demo.
type demo struct {
	cmd    *demoCmd
	out    io.Writer
	build  heron.Build
	clock  houseClock
	cellar *demoCellar
	daemon *daemon
	person *heron.Person
	alarms map[string]bool // what printers warned of in runs that nothing was made to go wrong with
}

// Run sets the demo up and lives through it.
func (k *demoCmd) Run(kctx *kong.Context) (err error) {
	if k.Pace == 0 {
		k.Pace = 600
		if k.ExitWhenDone {
			k.Pace = 2400
		}
	}
	if k.Pace < 1 || k.Pace > 20000 {
		return exitf(exitUsage, "--pace %g: between 1 and 20000", k.Pace)
	}
	dir := k.Data
	if dir == "" {
		if dir, err = os.MkdirTemp("", "undercroft-demo-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	level := slog.LevelError + 4 // the demo itself says what happens
	if k.Verbose {
		level = slog.LevelInfo
	}
	log := slog.New(slog.NewTextHandler(kctx.Stderr, &slog.HandlerOptions{Level: level}))
	ctx, hurry, stop := signals(log)
	defer stop()

	d := &demo{cmd: k, out: kctx.Stdout, build: heron.New(k.Seed)}
	d.person = heron.NewPerson(k.Seed, d.build)
	zone, err := time.LoadLocation(d.build.TimeZone)
	if err != nil {
		return err
	}
	fmt.Fprintf(d.out, "%s: %d parts on %d virtual printers. All of it is invented.\n", d.build.Title, len(d.build.Parts), len(d.build.Printers))
	fmt.Fprint(d.out, "These printers are virtual. Before real ones, read the cautions in README.md.\n")
	if d.cellar, err = openCellar(d.build, dir, k.Seed, k.Pace); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.cellar.close()) }()
	conf := d.cellar.config(d.build, dir, k.listen())
	conf.House.Location = zone
	d.clock = pacedClock(demoStart(zone), k.Pace)
	if d.daemon, err = newDaemon(ctx, conf, daemonOptions{clock: d.clock, demo: true, log: log}); err != nil {
		return err
	}
	return d.live(ctx, hurry)
}

// listen is the address of the page; the headless demo takes any free port, so
// that it can run beside a daemon.
func (k *demoCmd) listen() string {
	if k.ExitWhenDone {
		if host, _, err := net.SplitHostPort(k.Listen); err == nil {
			return net.JoinHostPort(host, "0")
		}
	}
	return k.Listen
}

// live runs the daemon beside the people of the demo, and ends it.
func (d *demo) live(ctx context.Context, hurry <-chan struct{}) error {
	daemonCtx, endDaemon := context.WithCancel(ctx)
	defer endDaemon()
	ended := make(chan error, 1)
	go func() { ended <- d.daemon.Run(daemonCtx, hurry) }()

	started := time.Now()
	err := d.prepare(ctx)
	if err == nil && !d.cmd.ExitWhenDone {
		fmt.Fprintf(d.out, "Watch it at %s (house time runs %g times faster). Ctrl-C ends it.\n", d.daemon.URL(), d.cmd.Pace)
	}
	if err == nil {
		err = d.watch(ctx)
	}
	var report *demoReport
	if err == nil && d.cmd.ExitWhenDone {
		report, err = d.report(ctx, time.Since(started))
	}
	endDaemon()
	err = errors.Join(err, <-ended)
	if report == nil || err != nil {
		if errors.Is(err, context.Canceled) {
			return nil
		}
		return err
	}
	// After the daemon has ended nothing may be hot.
	report.stillHot = d.cellar.hot()
	return report.print(d.out)
}

// prepare answers the house's questions, says what is fitted, and adds every part.
func (d *demo) prepare(ctx context.Context) error {
	h := d.daemon.house
	for _, name := range d.cellar.order {
		p := d.cellar.printers[name].fitted
		err := h.Fit(ctx, name, web.Fit{NozzleMM: &p.NozzleMM, Material: &p.Material, Colour: &p.Colour, Grams: &p.Grams, Surface: &p.Surface})
		if err != nil {
			return err
		}
	}
	at := time.Now()
	for i := range d.build.Parts {
		if err := d.add(ctx, &d.build.Parts[i]); err != nil {
			return fmt.Errorf("%s: %w", d.build.Parts[i].Name, err)
		}
	}
	for left, right := range d.build.Pairs() {
		name := web.PartName{Part: left, Build: d.build.Title}
		if err := h.ChangePart(ctx, web.PartRequest{PartName: name, Mirror: &right}); err != nil {
			return err
		}
	}
	fmt.Fprintf(d.out, "Sliced, read and queued %d files in %.1f s.\n", len(d.build.Parts), time.Since(at).Seconds())
	// Somebody is home all day here; the nights' rest is a matter for the plan.
	return h.SetHours(ctx, web.Hours{Home: "daily 00:00-24:00", Cold: "none"})
}

func (d *demo) add(ctx context.Context, p *heron.Part) error {
	r, w := io.Pipe()
	go func() { w.CloseWithError(heron.Slice(*p, w)) }()
	defer r.Close()
	_, err := d.daemon.house.Add(ctx, web.AddRequest{
		FileName: p.File, Kind: p.Kind, Part: p.Name, Assembly: p.Assembly, Build: d.build.Title, Pieces: p.Pieces,
		NozzleMM: p.NozzleMM, Surface: p.Surface,
	}, r)
	return err
}

// watch lets the person and the mishaps happen until the build is over or ctx ends.
func (d *demo) watch(ctx context.Context) error {
	changed, unsubscribe := d.daemon.house.Subscribe()
	defer unsubscribe()
	pending := append([]heron.Mishap(nil), d.build.Mishaps...)
	var due *time.Timer
	busy := time.Now()
	asked := map[string]time.Time{} // real time at which a printer's question was first seen
	for {
		v, err := d.daemon.house.View(ctx)
		if err != nil {
			return err
		}
		pending = d.trouble(v, pending)
		d.listen(v)
		wait := time.Hour
		if !d.cmd.Alone {
			if wait, err = d.act(ctx, v, asked); err != nil {
				return err
			}
		}
		if v.Tally.JobsRunning > 0 {
			busy = time.Now()
		}
		if d.cmd.ExitWhenDone && (over(v) || time.Since(busy) > demoStuck) {
			return nil // the report tells which
		}
		if due != nil {
			due.Stop()
		}
		due = time.NewTimer(wait)
		select {
		case <-changed:
		case <-due.C:
		case <-ctx.Done():
			return ctx.Err()
		}
		// Many changes come at once; the person looks at them together.
		time.Sleep(5 * time.Millisecond)
	}
}

// listen notes what a printer warns of while nothing was made to go wrong with
// its part: there should be no such alarm.
func (d *demo) listen(v web.View) {
	for _, p := range v.Printers {
		if p.Run == nil || slices.ContainsFunc(d.build.Mishaps, func(m heron.Mishap) bool { return m.Part == p.Run.Part }) {
			continue
		}
		for _, w := range p.Warnings {
			if d.alarms == nil {
				d.alarms = map[string]bool{}
			}
			d.alarms[fmt.Sprintf("%s warned of %s in %s, and nothing was made to go wrong with it", p.Name, w.Cause, p.Run.Part)] = true
		}
	}
}

// over says whether nothing runs and nothing is left that could.
func over(v web.View) bool {
	t := v.Tally
	if t.JobsWaiting+t.JobsRunning > 0 {
		return false
	}
	for _, j := range v.Jobs {
		if j.State != "needs-decision" {
			return false
		}
	}
	for _, p := range v.Printers {
		if p.Run != nil || p.Phase == "cooling" || p.Plate.Question != "" {
			return false
		}
	}
	return true
}

// act does what the person does by now and returns the real time until they
// act next. Whoever watches the page has a while to answer before.
func (d *demo) act(ctx context.Context, v web.View, asked map[string]time.Time) (time.Duration, error) {
	next := time.Second
	open := map[string]bool{}
	for _, a := range d.person.Acts(v) {
		open[a.Printer] = true
		since, seen := asked[a.Printer]
		if !seen {
			since = time.Now()
			asked[a.Printer] = since
		}
		wait := time.Duration(float64(a.Due.Sub(v.At)) / d.cmd.Pace)
		if !d.cmd.ExitWhenDone && a.RunID != 0 {
			wait = max(wait, demoStandIn-time.Since(since))
		}
		if wait > 0 {
			next = min(next, wait)
			continue
		}
		var err error
		switch {
		case a.Fit != nil:
			err = d.daemon.house.Fit(ctx, a.Printer, *a.Fit)
		case a.Look:
			err = d.daemon.house.Eyes(ctx, a.Printer, web.Eyes{Good: true})
		case a.Restart:
			d.cellar.printers[a.Printer].sim.SetFilament(true)
			d.cellar.printers[a.Printer].sim.Reset()
			err = d.daemon.house.TakeBack(ctx, a.Printer)
		default:
			d.cellar.printers[a.Printer].sim.SetFilament(true)
			err = d.daemon.house.Cleared(ctx, a.Printer, *a.Cleared)
		}
		// A printer that was quicker than the person makes for a conflict; the
		// next view shows what is to be done then.
		if err != nil && !errors.Is(err, queue.ErrConflict) {
			return 0, err
		}
		next = min(next, 20*time.Millisecond)
	}
	for name := range asked {
		if !open[name] {
			delete(asked, name)
		}
	}
	return max(next, time.Millisecond), nil
}

// trouble makes the mishaps happen whose moment has come and returns the rest.
func (d *demo) trouble(v web.View, pending []heron.Mishap) []heron.Mishap {
	var rest []heron.Mishap
	for _, m := range pending {
		if !d.strike(v, m) {
			rest = append(rest, m)
		}
	}
	return rest
}

func (d *demo) strike(v web.View, m heron.Mishap) bool {
	for _, p := range v.Printers {
		if p.Run == nil || p.Run.Part != m.Part || float64(p.Run.Line) < m.Share*float64(p.Run.Lines) {
			continue
		}
		virtual := d.cellar.printers[p.Name]
		switch m.What {
		case heron.LinkLost:
			virtual.sim.Unplug()
			time.AfterFunc(demoReplug, func() { virtual.sim.Replug(nil) })

		case heron.Runout:
			virtual.sim.SetFilament(false)
		}
		return true
	}
	return false
}
