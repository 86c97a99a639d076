package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"undercroft/fleet"
	"undercroft/web"
)

// coolPorts sets every heater target to zero without a daemon: it opens the
// ports that the configuration names, as the daemon would.
func coolPorts(ctx context.Context, path string) ([]web.Cooled, error) {
	conf, err := loadConfig(path)
	if err != nil {
		return nil, err
	}
	f := fleet.New(fleet.Options{Specs: specs(conf)})
	// What an absent printer says before its port was tried.
	untried := make([]string, len(conf.Printers))
	for i, c := range conf.Printers {
		untried[i] = f.Printer(c.Name).Snapshot().Why
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()

	out := make([]web.Cooled, len(conf.Printers))
	var wait sync.WaitGroup
	for i, c := range conf.Printers {
		wait.Go(func() {
			out[i] = web.Cooled{Printer: c.Name, OK: true, Text: "every target is zero, as its firmware reports"}
			if err := coolPort(ctx, f, c.Name, untried[i]); err != nil {
				out[i].OK, out[i].Text = false, err.Error()
			}
		})
	}
	wait.Wait()
	cancel()
	return out, <-ended
}

// linkPatience is how long a printer may take to answer on a port just opened.
const linkPatience = 25 * time.Second

func coolPort(ctx context.Context, f *fleet.Fleet, name, untried string) error {
	p := f.Printer(name)
	changed, unsubscribe := f.Subscribe()
	defer unsubscribe()
	timeout := time.NewTimer(linkPatience)
	defer timeout.Stop()
	for {
		switch s := p.Snapshot(); {
		case s.Phase != fleet.Absent && s.Phase != fleet.Settling:
			return p.Cool(ctx)
		case s.Phase == fleet.Absent && s.Why != untried:
			// A port that cannot be opened now is not waited for.
			return fmt.Errorf("it was not reached: %s", s.Why)
		}
		select {
		case <-changed:
		case <-timeout.C:
			return fmt.Errorf("it did not answer within %s: %s", linkPatience, p.Snapshot().Why)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
