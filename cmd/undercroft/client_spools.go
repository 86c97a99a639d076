package main

import (
	"fmt"
	"io"
	"strings"

	"undercroft/web"
)

// spoolsCmd lists the stock, or changes its rules.
type spoolsCmd struct {
	clientFlags
	All    bool     `help:"The retired ones too."`
	Margin *float64 `placeholder:"PERCENT" help:"From now on keep so much on a reel over what a file needs."`
	Short  *string  `enum:"refuse,warn" placeholder:"refuse|warn" help:"From now on a reel that will not last keeps a job from starting, or only warns."`
}

// Run sets what was given, then prints one line a reel.
func (k *spoolsCmd) Run(c *client) error {
	if k.Margin != nil || k.Short != nil {
		var s web.StockRules
		if k.Margin != nil {
			share := *k.Margin / 100
			s.Margin = &share
		}
		if k.Short != nil {
			warn := *k.Short == "warn"
			s.Warn = &warn
		}
		if err := c.post("/api/stock", s, nil); err != nil {
			return err
		}
	}
	path := "/api/spools"
	if k.All {
		path += "?all=true"
	}
	var list []web.Reel
	if err := c.get(path, &list); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(list)
	}
	if len(list) == 0 {
		return c.say("No reels in stock. 'undercroft spool add --material PLA --colour white --full 1000' puts one there.")
	}
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return err
	}
	short := map[string]*web.Short{}
	for _, p := range v.Printers {
		short[p.Name] = p.Spool.Short
	}
	t := newTable(c.out, "REEL", "MATERIAL", "COLOUR", "LEFT", "WHERE", "MM", "NOTE")
	for _, r := range list {
		note := ""
		if s := short[r.Printer]; s != nil && r.Printer != "" {
			note = fmt.Sprintf("will not last: ends in layer %d of %d, at %.1f mm, about %s", s.Layer, s.Layers, s.TopMM, clock(s.At, v.At))
		}
		where := r.Printer
		switch {
		case r.RetiredAt != nil:
			where = "retired"
		case where == "":
			where = "shelf"
		}
		t.row(reelNumber(r.Number), r.Material, dash(r.Colour), gramsLeft(r.LeftG), where, figure(r.DiameterMM), dash(note))
	}
	if err := t.end(); err != nil {
		return err
	}
	rule := "keeps a job from starting"
	if v.Stock.Warn {
		rule = "is warned of"
	}
	return c.say("A reel that holds less than a file needs and %.0f %% over it %s.", v.Stock.Margin*100, rule)
}

func reelNumber(n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}

func gramsLeft(g *float64) string {
	if g == nil {
		return "not known"
	}
	return fmt.Sprintf("%.0f g", *g)
}

// spoolCmd holds the commands on one reel.
type spoolCmd struct {
	Add    spoolAddCmd    `cmd:"" help:"Put a reel into stock."`
	Show   spoolShowCmd   `cmd:"" help:"One reel and what happened to it."`
	Weigh  spoolWeighCmd  `cmd:"" help:"Correct what is left by weighing the reel as it is."`
	Load   spoolLoadCmd   `cmd:"" help:"Say that a reel hangs on a printer now; in mid-print too."`
	Unload spoolUnloadCmd `cmd:"" help:"Say that no reel hangs on a printer."`
	Retire spoolRetireCmd `cmd:"" help:"Take a reel out of stock: empty, spoilt, given away."`
	Sheet  spoolSheetCmd  `cmd:"" help:"Print a page of reel numbers in large type, as HTML, to cut out."`
}

type spoolAddCmd struct {
	clientFlags
	Number   int      `arg:"" optional:"" help:"The number on the reel; left out: the next free one."`
	Material string   `required:"" placeholder:"NAME" help:"What it is of."`
	Colour   string   `placeholder:"NAME" help:"Its colour."`
	Diameter float64  `placeholder:"MM" help:"The filament's diameter as measured; left out: 1.75."`
	Density  float64  `placeholder:"G/CM3" help:"Left out: usual for the material."`
	Price    float64  `placeholder:"AMOUNT" help:"What the reel cost."`
	Full     float64  `placeholder:"G" help:"Filament on it as bought."`
	Tare     *float64 `placeholder:"G" help:"The empty reel's weight."`
	Grams    *float64 `placeholder:"G" help:"Filament left now; left out: as full."`
}

// Run asks the daemon and says what to write on the reel.
func (k *spoolAddCmd) Run(c *client) error {
	var r web.Reel
	n := web.NewReel{Number: k.Number, Material: k.Material, Colour: k.Colour, DiameterMM: k.Diameter, DensityGCM3: k.Density, Price: k.Price, FullG: k.Full, TareG: k.Tare, LeftG: k.Grams}
	if err := c.post("/api/spools", n, &r); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(r)
	}
	return c.say("Write %d on the reel: %s, %g mm, %s left.", r.Number, strings.TrimSpace(plain(r.Material+" "+r.Colour)), r.DiameterMM, gramsLeft(r.LeftG))
}

// reelArg names one reel.
type reelArg struct {
	clientFlags
	Number int `arg:"" help:"The number on the reel."`
}

func (r reelArg) path(verb string) string { return fmt.Sprintf("/api/spools/%d%s", r.Number, verb) }

type spoolShowCmd struct{ reelArg }

// Run prints the reel and its history.
func (k *spoolShowCmd) Run(c *client) error {
	var r web.ReelHistory
	if err := c.get(k.path(""), &r); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(r)
	}
	tare := "not known"
	if r.TareG != nil {
		tare = fmt.Sprintf("%.0f g", *r.TareG)
	}
	if err := c.say("reel %d  %s, %g mm, %g g/cm³, %s left; the empty reel: %s", r.Number, strings.TrimSpace(plain(r.Material+" "+r.Colour)), r.DiameterMM, r.DensityGCM3, gramsLeft(r.LeftG), tare); err != nil {
		return err
	}
	t := newTable(c.out, "AT", "WHAT", "CHANGE", "LEFT", "SCALES", "PRINTER", "RUN")
	for _, e := range r.Events {
		gross, run := "-", "-"
		if e.GrossG != nil {
			gross = fmt.Sprintf("%.0f g", *e.GrossG)
		}
		if e.RunID != 0 {
			run = fmt.Sprint(e.RunID)
		}
		t.row(e.At.Format("2 Jan 15:04"), e.What, fmt.Sprintf("%+.1f g", e.ChangeG), gramsLeft(e.LeftG), gross, dash(e.Printer), run)
	}
	return t.end()
}

type spoolWeighCmd struct {
	reelArg
	Gross *float64 `placeholder:"G" help:"What the scales show of the reel as it is; its tare is taken off."`
	Net   *float64 `placeholder:"G" help:"Filament alone, when that is what you know."`
	Tare  *float64 `placeholder:"G" help:"The empty reel's weight."`
}

// Run asks the daemon.
func (k *spoolWeighCmd) Run(c *client) error {
	if k.Gross == nil && k.Net == nil && k.Tare == nil {
		return exitf(exitUsage, "say what the scales show: --gross; or --net or --tare")
	}
	var r web.Reel
	if err := c.post(k.path("/weigh"), web.Weighing{GrossG: k.Gross, NetG: k.Net, TareG: k.Tare}, &r); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(r)
	}
	return c.say("Reel %d: %s left.", r.Number, gramsLeft(r.LeftG))
}

type spoolLoadCmd struct {
	reelArg
	Printer string `arg:"" help:"The printer's name."`
}

// Run asks the daemon.
func (k *spoolLoadCmd) Run(c *client) error {
	if err := c.post(printerArg{Printer: k.Printer}.path("load"), web.Load{Number: k.Number}, nil); err != nil {
		return err
	}
	return c.say("Reel %d hangs on %s.", k.Number, k.Printer)
}

type spoolUnloadCmd struct{ printerArg }

// Run asks the daemon.
func (k *spoolUnloadCmd) Run(c *client) error {
	if err := c.post(k.path("load"), web.Load{}, nil); err != nil {
		return err
	}
	return c.say("No reel hangs on %s.", k.Printer)
}

type spoolRetireCmd struct{ reelArg }

// Run asks the daemon.
func (k *spoolRetireCmd) Run(c *client) error {
	if err := c.post(k.path("/retire"), nil, nil); err != nil {
		return err
	}
	return c.say("Reel %d is out of stock. Its number is not given again.", k.Number)
}

type spoolSheetCmd struct{ clientFlags }

// Run copies the page to standard output.
func (k *spoolSheetCmd) Run(c *client) error {
	var page string
	if err := c.get("/reels", &page); err != nil {
		return err
	}
	_, err := io.WriteString(c.out, page)
	return err
}

// eyesCmd answers a call to a first layer, or switches the calls on or off.
type eyesCmd struct {
	clientFlags
	Printer string  `arg:"" optional:"" help:"The printer's name."`
	Good    bool    `xor:"a" help:"The first layer is good."`
	Stop    bool    `xor:"a" help:"It is not: stop the run."`
	Calls   *string `xor:"a" enum:"on,off" placeholder:"on|off" help:"Call somebody to first layers from now on, or nobody."`
}

// Run asks the daemon; without an answer it lists who is to be looked at.
func (k *eyesCmd) Run(c *client) error {
	switch {
	case k.Calls != nil:
		on := *k.Calls == "on"
		if err := c.post("/api/stock", web.StockRules{Eyes: &on}, nil); err != nil {
			return err
		}
		return c.say("Calls to first layers are %s for runs that start from now on.", *k.Calls)
	case (k.Good || k.Stop) && k.Printer == "":
		return exitf(exitUsage, "say which printer you looked at")
	case k.Good || k.Stop:
		if err := c.post(printerArg{Printer: k.Printer}.path("eyes"), web.Eyes{Good: k.Good}, nil); err != nil {
			return err
		}
		if k.Good {
			return c.say("The first layer on %s is good.", k.Printer)
		}
		return c.say("%s is stopped. 'undercroft mishaps' has the height.", k.Printer)
	}
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return err
	}
	var waiting []web.Printer
	for _, p := range v.Printers {
		if p.Run != nil && p.Run.Eyes == "asked" && (k.Printer == "" || k.Printer == p.Name) {
			waiting = append(waiting, p)
		}
	}
	if c.json {
		return c.printJSON(waiting)
	}
	if len(waiting) == 0 {
		return c.say("No first layer waits for a look.")
	}
	for _, p := range waiting {
		if err := c.say("%s: look at the first layer of %s (%s), called at %s. 'undercroft eyes %s --good', or --stop.", p.Name, plain(p.Run.Part), p.Run.EyesWhy, clock(*p.Run.EyesAt, v.At), p.Name); err != nil {
			return err
		}
	}
	return nil
}
