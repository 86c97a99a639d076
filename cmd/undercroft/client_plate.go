package main

import (
	"undercroft/web"
)

// clearedCmd answers 'is the plate clear?'.
type clearedCmd struct {
	printerArg
	Surface string   `placeholder:"NAME" help:"Which sheet lies there now: smooth, textured, glass …; the same as before when left out."`
	Good    *int     `placeholder:"N" help:"How many of the pieces are good; all of them when left out."`
	Bad     []int    `placeholder:"PLACE,…" help:"Which of the pieces are bad, by their places in 'undercroft marks PRINTER'."`
	BadFrom *float64 `placeholder:"MM" help:"The height from which a piece is bad."`
}

// Run says that the plate is empty and its sheet seated: that is what the
// command means, and its help says so.
func (k *clearedCmd) Run(c *client) error {
	marks, err := c.marks(k.Printer)
	if err != nil {
		return err
	}
	if err := c.post(k.path("cleared"), web.Cleared{Empty: true, Seated: true, Surface: k.Surface, Good: k.Good, Bad: k.Bad, BadFrom: k.BadFrom}, nil); err != nil {
		return err
	}
	if !c.json {
		c.writeMarks(goodOnes(marks, k.Good, k.Bad))
	}
	return c.say("%s is clear: empty, and its sheet seated. Keep your hands out from now on; 'undercroft not-yet %s' takes it back while the start counts down.", k.Printer, k.Printer)
}

// notYetCmd takes a clearing back.
type notYetCmd struct{ printerArg }

// Run asks the daemon.
func (n *notYetCmd) Run(c *client) error {
	if err := c.post(n.path("not-yet"), nil, nil); err != nil {
		return err
	}
	return c.say("%s starts nothing until you say: undercroft cleared %s", n.Printer, n.Printer)
}

// fitCmd records what a person changed on a machine.
type fitCmd struct {
	printerArg
	Nozzle   *float64 `placeholder:"MM" help:"The nozzle fitted."`
	Material *string  `placeholder:"NAME" help:"The material loaded; '' when none is."`
	Colour   *string  `placeholder:"NAME" help:"Its colour."`
	Grams    *float64 `placeholder:"G" help:"Grams left on the spool."`
	Plate    *string  `placeholder:"NAME" help:"The sheet fitted: smooth, textured, glass …; 'off' when there is none."`
}

// Run sends what was given and leaves the rest as it is.
func (f *fitCmd) Run(c *client) error {
	if f.Nozzle == nil && f.Material == nil && f.Colour == nil && f.Grams == nil && f.Plate == nil {
		return exitf(exitUsage, "say what changed: --nozzle, --material, --colour, --grams or --plate")
	}
	fit := web.Fit{NozzleMM: f.Nozzle, Material: f.Material, Colour: f.Colour, Grams: f.Grams}
	if f.Plate != nil {
		off := *f.Plate == "off"
		fit.PlateOff = &off
		if !off {
			fit.Surface = f.Plate
		}
	}
	if err := c.post(f.path("fit"), fit, nil); err != nil {
		return err
	}
	return c.say("Noted for %s.", f.Printer)
}
