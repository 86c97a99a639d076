package main

import (
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"undercroft/fleet/sim"
)

// virtualCmd runs a virtual printer on a pseudo-terminal: the other end for
// `undercroft send`, for `serve` without machines, for trying things out.
type virtualCmd struct {
	At          string        `help:"Path of a symbolic link to the pseudo-terminal; a host opens it as a serial port." required:"" placeholder:"PATH"`
	Family      string        `help:"Way of answering: a, b, c, d or e." enum:"a,b,c,d,e" default:"a"`
	AllOptions  bool          `help:"Family a with advanced ok, wait lines, emergency parser, host actions, prompts and runout sensor."`
	Baud        int           `help:"Time every byte at this rate and let the receive buffer overflow; 0 times nothing, as a USB port." default:"0" placeholder:"N"`
	Pace        float64       `help:"Virtual seconds per real second." default:"1" placeholder:"K"`
	BootDelay   time.Duration `help:"Silence after a reset, in virtual time, as 1.5s; real boards take one or two seconds." default:"0s" placeholder:"DURATION"`
	ResetOnOpen bool          `help:"Reset the board whenever a host opens the port, as many boards do."`
	Faults      string        `help:"${faults_help}" placeholder:"SPEC"`
	Seed        uint64        `help:"Seed of the faults and of the sensors' noise." default:"1" placeholder:"N"`
	Trace       string        `help:"Write one line a command that was executed, with its virtual time, to this file." placeholder:"FILE"`
}

// Run plays the printer until the process is told to end.
func (c *virtualCmd) Run() (err error) {
	faults, err := sim.ParseFaults(c.Faults)
	if err != nil {
		return exitf(exitUsage, "%v; 'undercroft virtual --help' lists the faults", err)
	}
	if c.Pace <= 0 {
		return exitf(exitUsage, "--pace %g: give virtual seconds per real second, above 0", c.Pace)
	}
	o := sim.Options{
		Path: c.At, Family: sim.Family(c.Family), AllOptions: c.AllOptions, Baud: c.Baud, Pace: c.Pace,
		BootDelay: c.BootDelay, ResetOnOpen: c.ResetOnOpen, Faults: faults, Seed: c.Seed,
	}
	if c.Trace != "" {
		f, err := os.Create(c.Trace)
		if err != nil {
			return fmt.Errorf("the trace: %w", err)
		}
		defer func() {
			if e := f.Close(); err == nil {
				err = e
			}
		}()
		o.Trace = f
	}
	p, err := sim.New(o)
	var wrong *sim.OptionError
	switch {
	case errors.As(err, &wrong):
		return exitf(exitUsage, "%v", err)
	case err != nil:
		return err
	}
	fmt.Printf("A virtual printer listens at %s. It plays %s. End it with Ctrl-C.\n", c.At, o.Describe())

	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(stop)
	<-stop
	return p.Close()
}
