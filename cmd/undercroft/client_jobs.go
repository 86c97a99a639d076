package main

import (
	"fmt"

	"undercroft/web"
)

// jobsCmd lists the queue.
type jobsCmd struct {
	clientFlags
	All  bool `help:"The ended ones too."`
	Wide bool `short:"w" help:"Kind, nozzle, material, mass and file too."`
}

// Run prints one line a job.
func (j *jobsCmd) Run(c *client) error {
	path := "/api/jobs"
	if j.All {
		path += "?all=true"
	}
	var jobs []web.Job
	if err := c.get(path, &jobs); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(jobs)
	}
	if len(jobs) == 0 {
		return c.say("No jobs. Add files with 'undercroft add FILE…'.")
	}
	head := []string{"JOB", "STATE", "PART", "HEIGHT", "TIME", "PRINTER"}
	if j.Wide {
		head = append(head, "KIND", "NOZZLE", "MATERIAL", "MASS", "FILE")
	}
	t := newTable(c.out, append(head, "NOTE")...)
	for _, job := range jobs {
		row := []string{fmt.Sprint(job.ID), job.State, job.Part, figure(job.SizeMM[2]) + " mm", span(job.EstimateS), dash(job.Printer)}
		if j.Wide {
			row = append(row, dash(job.Kind), figure(job.NozzleMM), dash(job.Material), figure(job.MassG)+" g", job.File)
		}
		t.row(append(row, job.Note)...)
	}
	return t.end()
}

// jobArg names one job.
type jobArg struct {
	clientFlags
	Job int64 `arg:"" help:"The job's number."`
}

func (j jobArg) path(verb string) string { return fmt.Sprintf("/api/jobs/%d/%s", j.Job, verb) }

// whyCmd explains a job's waiting.
type whyCmd struct{ jobArg }

// Run lists every printer with its obstacles and what would remove them.
func (w *whyCmd) Run(c *client) error {
	var why web.Why
	if err := c.get(w.path("why"), &why); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(why)
	}
	fmt.Fprintf(c.out, "Job %d, %s (%s): %s\n", why.Job.ID, plain(why.Job.Part), why.Job.State, plain(why.Summary))
	if len(why.Printers) == 0 {
		return nil
	}
	fmt.Fprintln(c.out)
	t := newTable(c.out, "PRINTER", "OBSTACLE", "WHAT WOULD HELP")
	for _, p := range why.Printers {
		if len(p.Obstacles) == 0 {
			t.row(p.Printer, "none: could take it now")
		}
		name := p.Printer
		for _, o := range p.Obstacles {
			t.row(name, o.Text, o.Remedy)
			name = ""
		}
	}
	if err := t.end(); err != nil {
		return err
	}
	for _, other := range why.Or {
		fmt.Fprintf(c.out, "Or %s.\n", plain(other))
	}
	return nil
}

// holdCmd keeps a job back.
type holdCmd struct{ jobArg }

// Run asks the daemon.
func (h *holdCmd) Run(c *client) error {
	if err := c.post(h.path("hold"), nil, nil); err != nil {
		return err
	}
	return c.say("Job %d is on hold. 'undercroft release %d' lets it go on.", h.Job, h.Job)
}

// releaseCmd ends a hold.
type releaseCmd struct{ jobArg }

// Run asks the daemon.
func (r *releaseCmd) Run(c *client) error {
	if err := c.post(r.path("release"), nil, nil); err != nil {
		return err
	}
	return c.say("Job %d is queued again.", r.Job)
}

// cancelCmd ends a job that does not run.
type cancelCmd struct{ jobArg }

// Run asks the daemon.
func (x *cancelCmd) Run(c *client) error {
	if err := c.post(x.path("cancel"), nil, nil); err != nil {
		return err
	}
	return c.say("Job %d is cancelled.", x.Job)
}

// decideCmd answers a mishap.
type decideCmd struct {
	jobArg
	Answer string `arg:"" enum:"again,give-up" help:"again: print it again, whole; give-up: never."`
}

// Run asks the daemon.
func (d *decideCmd) Run(c *client) error {
	again := d.Answer == "again"
	if err := c.post(d.path("decide"), web.Decision{Again: again}, nil); err != nil {
		return err
	}
	if again {
		return c.say("Job %d is queued again, whole.", d.Job)
	}
	return c.say("Job %d is given up.", d.Job)
}
