package main

import (
	"context"
	"errors"
	"fmt"

	"undercroft/web"
)

// coolCmd turns every heater off.
type coolCmd struct {
	clientFlags
	Config string `short:"c" help:"The configuration, for when no daemon answers and the ports are gone to. Left out: where serve looks for it." placeholder:"FILE"`
}

// coolDirect sets every heater target to zero over the ports that a
// configuration names, for when no daemon answers. The program binds coolPorts.
type coolDirect func(ctx context.Context, config string) ([]web.Cooled, error)

// Run asks the daemon; when there is none, it goes to the ports.
func (k *coolCmd) Run(c *client, direct coolDirect) error {
	var cooled []web.Cooled
	err := c.post("/api/cool", nil, &cooled)
	var e *exitError
	if errors.As(err, &e) && e.noDaemon {
		fmt.Fprintf(c.err, "No daemon at %s: going to the ports.\n", c.base)
		ctx, cancel := context.WithTimeout(context.Background(), answerTime)
		defer cancel()
		cooled, err = direct(ctx, k.Config)
	}
	if err != nil {
		return err
	}
	if c.json {
		if err := c.printJSON(cooled); err != nil {
			return err
		}
	} else {
		t := newTable(c.out, "PRINTER", "HEATERS", "")
		for _, p := range cooled {
			word := "off"
			if !p.OK {
				word = "NOT KNOWN TO BE OFF"
			}
			t.row(p.Printer, word, p.Text)
		}
		if err := t.end(); err != nil {
			return err
		}
	}
	hot := 0
	for _, p := range cooled {
		if !p.OK {
			hot++
		}
	}
	if hot > 0 {
		return exitf(exitNotReached, "%s may still heat. Switch it off at the wall.", count(hot, "printer", "printers"))
	}
	return nil
}
