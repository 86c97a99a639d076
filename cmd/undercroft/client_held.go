package main

import (
	"errors"

	"undercroft/web"
)

// pauseCmd holds a run.
type pauseCmd struct{ printerArg }

// Run asks the daemon.
func (p *pauseCmd) Run(c *client) error {
	if err := c.post(p.path("pause"), nil, nil); err != nil {
		return err
	}
	return c.say("%s is paused: it finishes the moves on their way, then waits beside the piece, still hot. Go on with 'undercroft resume %s'.", p.Printer, p.Printer)
}

// resumeCmd goes on with a held run.
type resumeCmd struct{ printerArg }

// Run asks the daemon; heating again may take minutes, which is not waited for.
func (r *resumeCmd) Run(c *client) error {
	if err := c.post(r.path("resume"), nil, nil); err != nil {
		return err
	}
	return c.say("%s goes on: it heats again if it was let cool, primes, and moves back to the piece. Keep your hands out.", r.Printer)
}

// loadedCmd goes on after a reel was changed.
type loadedCmd struct {
	printerArg
	Spool    *int     `placeholder:"N" help:"The reel's number in stock."`
	Material *string  `placeholder:"NAME" help:"Of a reel without a number: its material; the same as before when left out."`
	Colour   *string  `placeholder:"NAME" help:"Its colour."`
	Grams    *float64 `placeholder:"G" help:"Grams on the reel."`
}

// Run tells the daemon.
func (l *loadedCmd) Run(c *client) error {
	if err := c.post(l.path("loaded"), web.Loaded{Spool: l.Spool, Material: l.Material, Colour: l.Colour, Grams: l.Grams}, nil); err != nil {
		return err
	}
	return c.say("Noted for %s. It purges where it waits, moves back to the piece and goes on. Take the purged string off before that, then keep your hands out.", l.Printer)
}

// emergencyCmd stops a machine at once.
type emergencyCmd struct {
	printerArg
	Cause string `default:"by hand" placeholder:"WORDS" help:"Why; it goes into the record."`
}

// Run asks the daemon and says plainly when nothing confirms the stop.
func (e *emergencyCmd) Run(c *client) error {
	err := c.post(e.path("emergency"), web.StopRequest{Cause: e.Cause}, nil)
	var x *exitError
	if errors.As(err, &x) && x.code == exitNotReached {
		return exitf(exitNotReached, "%v\n%s is NOT known to have stopped. Pull its plug.", err, e.Printer)
	}
	if err != nil {
		return err
	}
	return c.say("%s has halted, as its firmware confirmed; its heaters are off. Go there, make sure of it, switch it off and on, then 'undercroft take-back %s'.", e.Printer, e.Printer)
}
