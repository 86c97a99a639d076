package main

import (
	"fmt"
	"net/url"
	"strings"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// printersCmd lists the machines.
type printersCmd struct {
	clientFlags
	Wide bool `short:"w" help:"Temperatures, nozzle and spool too."`
}

// Run prints one line a printer; the height first, it is what matters.
func (k *printersCmd) Run(c *client) error {
	var v web.View
	if err := c.get("/api/view", &v); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(v.Printers)
	}
	if len(v.Printers) == 0 {
		return c.say("No printers. They stand in the daemon's configuration.")
	}
	head := []string{"PRINTER", "PHASE", "HEIGHT", "ENDS", "LEFT", "PART", "PLATE"}
	if k.Wide {
		head = append(head, "HEAT", "NOZZLE", "SPOOL")
	}
	t := newTable(c.out, append(head, "WHY")...)
	for _, p := range v.Printers {
		height, ends, left, part := "", "", "", ""
		if r := p.Run; r != nil {
			height = fmt.Sprintf("%s of %s mm", heightOf(r.CompletedMM), heightOf(r.HeightMM))
			ends, left, part = clock(r.EndsAt, v.At), span(r.LeftS), r.Part
		}
		if p.NextStart != nil {
			ends, part = "starts "+p.NextStart.In(v.At.Location()).Format("15:04:05"), fmt.Sprintf("job %d", p.NextJob)
		}
		row := []string{p.Name, p.Phase, dash(height), dash(ends), dash(left), dash(part), plateWords(p)}
		if k.Wide {
			row = append(row, heat(p.Heaters), figure(p.NozzleMM), spoolWords(p.Spool))
		}
		t.row(append(row, whyWords(p))...)
	}
	return t.end()
}

func heightOf(mm float64) string { return fmt.Sprintf("%.1f", mm) }

func heat(heaters []web.Heater) string {
	var words []string
	for _, h := range heaters {
		w := fmt.Sprintf("%s %.0f", h.Name, h.ActualC)
		if h.TargetC > 0 {
			w += fmt.Sprintf("/%.0f", h.TargetC)
		}
		words = append(words, w)
	}
	return dash(strings.Join(words, " "))
}

func plateWords(p web.Printer) string {
	if p.Kind == queue.ByHand {
		return "-" // its plate is its keeper's affair
	}
	return strings.TrimSpace(p.Plate.State + " " + p.Plate.Surface)
}

func spoolWords(s web.Spool) string {
	if s.Material == "" {
		return "-"
	}
	words := s.Material + " " + s.Colour
	if s.Grams > 0 { // 0 is not known
		words += fmt.Sprintf(" %.0f g", s.Grams)
	}
	return strings.Join(strings.Fields(words), " ")
}

func whyWords(p web.Printer) string {
	if p.OutOf != "" {
		return "out of service: " + p.OutOf
	}
	return p.Why
}

// now is the house's time, in its zone.
func (c *client) now() (time.Time, error) {
	var v web.View
	err := c.get("/api/view", &v)
	return v.At, err
}

// printerArg names one printer.
type printerArg struct {
	clientFlags
	Printer string `arg:"" help:"The printer's name."`
}

func (p printerArg) path(verb string) string {
	return "/api/printers/" + url.PathEscape(p.Printer) + "/" + verb
}

// lendCmd leaves a printer to a person.
type lendCmd struct{ printerArg }

// Run asks the daemon.
func (l *lendCmd) Run(c *client) error {
	if err := c.post(l.path("lend"), nil, nil); err != nil {
		return err
	}
	return c.say("%s is lent: it is asked for its temperatures and not commanded until 'undercroft take-back %s'.", l.Printer, l.Printer)
}

// takeBackCmd ends a lending.
type takeBackCmd struct{ printerArg }

// Run asks the daemon.
func (t *takeBackCmd) Run(c *client) error {
	if err := c.post(t.path("take-back"), nil, nil); err != nil {
		return err
	}
	return c.say("%s is back. Nothing starts before its plate is cleared: undercroft cleared %s", t.Printer, t.Printer)
}

// stopCmd ends a run.
type stopCmd struct {
	printerArg
	Cause string `default:"by hand" placeholder:"WORDS" help:"Why; it goes into the record."`
}

// Run asks the daemon and waits until the moves on their way have ended.
func (s *stopCmd) Run(c *client) error {
	if err := c.post(s.path("stop"), web.StopRequest{Cause: s.Cause}, nil); err != nil {
		return err
	}
	return c.say("%s is stopped. 'undercroft mishaps' has the height.", s.Printer)
}

// outOfServiceCmd keeps jobs from a printer.
type outOfServiceCmd struct {
	printerArg
	Reason string `default:"by hand" placeholder:"WORDS" help:"Why; shown where the printer is."`
}

// Run asks the daemon.
func (o *outOfServiceCmd) Run(c *client) error {
	if err := c.post(o.path("service"), web.Service{Out: true, Reason: o.Reason}, nil); err != nil {
		return err
	}
	return c.say("%s is out of service: %s. What it prints now goes on.", o.Printer, o.Reason)
}

// inServiceCmd gives a printer jobs again.
type inServiceCmd struct{ printerArg }

// Run asks the daemon.
func (i *inServiceCmd) Run(c *client) error {
	if err := c.post(i.path("service"), web.Service{}, nil); err != nil {
		return err
	}
	return c.say("%s is in service.", i.Printer)
}
