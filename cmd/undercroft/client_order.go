package main

import (
	"fmt"
	"slices"
	"strings"

	"undercroft/web"
)

// againCmd repeats a job.
type againCmd struct{ jobArg }

// Run asks the daemon.
func (a *againCmd) Run(c *client) error {
	var made web.NewJob
	if err := c.post(a.path("again"), nil, &made); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(made)
	}
	return c.say("Job %d is queued; it prints what job %d prints.", made.Job, a.Job)
}

// orderCmd orders the queue by hand.
type orderCmd struct {
	clientFlags
	Jobs []int64 `arg:"" name:"job" help:"Jobs, the first one first."`
	Free bool    `help:"Take their places away: they go by date and length again."`
}

// Run asks the daemon.
func (o *orderCmd) Run(c *client) error {
	if err := c.post("/api/order", web.OrderRequest{Jobs: o.Jobs, Free: o.Free}, nil); err != nil {
		return err
	}
	if o.Free {
		return c.say("They go by date and length again.")
	}
	return c.say("%s %s before the others of the same priority.", numbers(o.Jobs), map[bool]string{true: "goes", false: "go"}[len(o.Jobs) == 1])
}

// moveCmd gives a job to one printer.
type moveCmd struct {
	jobArg
	Printer string `arg:"" help:"The printer's name."`
}

// Run asks the daemon.
func (m *moveCmd) Run(c *client) error {
	if err := c.post(m.path("confine"), web.ConfineRequest{OnlyOn: []string{m.Printer}}, nil); err != nil {
		return err
	}
	return c.say("Job %d runs on %s and no other. 'undercroft why %d' says what it waits for.", m.Job, m.Printer, m.Job)
}

// confineArg is a job with printers.
type confineArg struct {
	jobArg
	Printers []string `arg:"" optional:"" name:"printer" help:"Printers' names."`
}

// confine changes one of a job's two lists and keeps the other.
func (k *confineArg) confine(c *client, change func(*web.ConfineRequest)) error {
	var jobs []web.Job
	if err := c.get("/api/jobs", &jobs); err != nil {
		return err
	}
	i := slices.IndexFunc(jobs, func(j web.Job) bool { return j.ID == k.Job })
	if i < 0 {
		return exitf(exitNotFound, "there is no job %d that waits", k.Job)
	}
	r := web.ConfineRequest{OnlyOn: jobs[i].OnlyOn, NotOn: jobs[i].NotOn}
	change(&r)
	return c.post(k.path("confine"), r, nil)
}

// onlyOnCmd says where alone a job may run.
type onlyOnCmd struct{ confineArg }

// Run asks the daemon.
func (o *onlyOnCmd) Run(c *client) error {
	if err := o.confine(c, func(r *web.ConfineRequest) { r.OnlyOn = o.Printers }); err != nil {
		return err
	}
	if len(o.Printers) == 0 {
		return c.say("Job %d may run on any printer that suits.", o.Job)
	}
	return c.say("Job %d runs only on %s.", o.Job, strings.Join(o.Printers, " or "))
}

// notOnCmd says where a job may not run.
type notOnCmd struct{ confineArg }

// Run asks the daemon.
func (n *notOnCmd) Run(c *client) error {
	if err := n.confine(c, func(r *web.ConfineRequest) { r.NotOn = n.Printers }); err != nil {
		return err
	}
	if len(n.Printers) == 0 {
		return c.say("No printer is forbidden to job %d.", n.Job)
	}
	return c.say("Job %d does not run on %s.", n.Job, strings.Join(n.Printers, " or "))
}

// yieldFlags say which pieces are good.
type yieldFlags struct {
	Good    *int     `placeholder:"N" help:"How many of the pieces are good; all of them when left out."`
	Bad     []int    `placeholder:"PLACE,…" help:"Which are bad, by their places in 'undercroft marks PRINTER'."`
	BadFrom *float64 `placeholder:"MM" help:"The height from which a piece is bad."`
}

func (y *yieldFlags) yielded() web.Yielded {
	return web.Yielded{Good: y.Good, Bad: y.Bad, BadFrom: y.BadFrom}
}

// yieldCmd counts pieces whose plate was cleared without a look.
type yieldCmd struct {
	jobArg
	yieldFlags
}

// Run asks the daemon.
func (y *yieldCmd) Run(c *client) error {
	if err := c.post(y.path("yield"), y.yielded(), nil); err != nil {
		return err
	}
	return c.say("Noted for job %d.", y.Job)
}

// beginCmd starts what is made by hand.
type beginCmd struct {
	jobArg
	On string `required:"" placeholder:"PRINTER" help:"The printer without a link."`
}

// Run asks the daemon.
func (b *beginCmd) Run(c *client) error {
	if err := c.post(b.path("begin"), web.BeginRequest{Printer: b.On}, nil); err != nil {
		return err
	}
	return c.say("Job %d is being made on %s. When it has ended: undercroft end %d", b.Job, b.On, b.Job)
}

// endCmd ends what is made by hand.
type endCmd struct {
	jobArg
	yieldFlags
}

// Run asks the daemon, and shows what to write on the pieces.
func (e *endCmd) Run(c *client) error {
	marks, err := c.marksOf(e.Job)
	if err != nil {
		return err
	}
	if err := c.post(e.path("end"), e.yielded(), nil); err != nil {
		return err
	}
	if !c.json {
		c.writeMarks(goodOnes(marks, e.Good, e.Bad))
	}
	return c.say("Job %d has ended.", e.Job)
}

// marksOf finds the plate that a job lies on.
func (c *client) marksOf(job int64) ([]web.Piece, error) {
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return nil, err
	}
	for _, p := range v.Printers {
		if p.Plate.JobID == job {
			return p.Plate.Marks, nil
		}
	}
	return nil, nil
}

// partArg names a part.
type partArg struct {
	clientFlags
	Part     string `arg:"" help:"The part's name."`
	Assembly string `placeholder:"NAME" help:"Its assembly, where several parts have the name."`
	Build    string `placeholder:"NAME" help:"Its build, where the assembly is not enough."`
}

func (p *partArg) name() web.PartName {
	return web.PartName{Part: p.Part, Assembly: p.Assembly, Build: p.Build}
}

// badCmd reopens a part.
type badCmd struct {
	partArg
	Piece   int    `required:"" placeholder:"N" help:"The number that is written on it."`
	Section string `placeholder:"NAME" help:"Which section of it; all of it when left out."`
	Why     string `placeholder:"TEXT" help:"What is wrong with it."`
}

// Run asks the daemon.
func (b *badCmd) Run(c *client) error {
	var out []web.Piece
	if err := c.post("/api/bad", web.BadRequest{PartName: b.name(), Number: b.Piece, Section: b.Section, Why: b.Why}, &out); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(out)
	}
	var words []string
	for _, p := range out {
		words = append(words, p.Label.String())
	}
	return c.say("%s: out. The part is open again; 'undercroft again JOB' queues another.", plain(strings.Join(words, "; ")))
}

// figureOf writes hours or grams of a table.
func figureOf(v float64, unit string) string {
	if v == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %s", v, unit)
}
