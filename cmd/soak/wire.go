package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/pprof"
	"strconv"
	"testing"
	"time"

	"undercroft/fleet/sim"
)

type wireCmd struct {
	Seed     uint64        `default:"1" help:"Seed of the campaign: everything that is drawn follows from it."`
	Lines    int64         `default:"300000" help:"End after so many executed lines."`
	Printers int           `default:"16" help:"Printers at once, in memory and with a clock that jumps."`
	Ptys     int           `default:"4" help:"Printers on pseudo-terminals and in real time, before the others."`
	PtyFor   time.Duration `default:"15s" help:"How long those take new connections."`
	For      time.Duration `help:"End after this time."`
	Faults   string        `help:"In place of the drawn mixes. ${faults_help}"`
	Stuck    time.Duration `default:"5m" help:"Real time after which a connection counts as hanging."`

	Connection string `help:"Play the one connection with this seed, as a violation prints it." placeholder:"SEED"`
	Pty        bool   `help:"With --connection: on a pseudo-terminal. In real time the same may not come twice: use --times."`
	Times      int    `default:"1" help:"With --connection: how often."`
	Profile    string `help:"Write a CPU profile to this file." placeholder:"FILE"`
	Wire       string `help:"With --connection: write what passes over the line to this file." placeholder:"FILE"`
}

func (w *wireCmd) Run() error {
	var faults *sim.Faults
	if w.Faults != "" {
		f, err := sim.ParseFaults(w.Faults)
		if err != nil {
			return err
		}
		faults = &f
	}
	if w.Printers < 1 || w.Ptys < 0 {
		return fmt.Errorf("%d printers and %d on pseudo-terminals: give at least one and none below zero", w.Printers, w.Ptys)
	}
	c := &campaign{seed: w.Seed, lines: w.Lines, printers: w.Printers, ptys: w.Ptys, ptyFor: w.PtyFor, faults: faults, stuck: w.Stuck, log: os.Stdout}
	if w.For > 0 {
		c.stopAt = time.Now().Add(w.For)
	}
	play := c.run
	if w.Connection != "" {
		seed, err := strconv.ParseUint(w.Connection, 0, 64)
		if err != nil {
			return fmt.Errorf("connection %q: give the number that a violation printed", w.Connection)
		}
		play = func(t *testing.T) { w.again(t, c, seed) }
	}
	if w.Profile != "" {
		f, err := os.Create(w.Profile)
		if err != nil {
			return err
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	inTests(w.Printers, play)
	c.report.write(os.Stdout)
	if c.report.failures > 0 {
		return errors.New("the promise was broken; see the violations above")
	}
	return nil
}

// again plays one connection, with what passed over the line in a file.
func (w *wireCmd) again(t *testing.T, c *campaign, seed uint64) {
	c.report.began = time.Now()
	p := planOf(seed, w.Pty, c.faults)
	fmt.Printf("%#x: %s\n", seed, p.String())
	for range max(1, w.Times) {
		var wire io.WriteCloser
		if w.Wire != "" {
			f, err := os.Create(w.Wire)
			if err != nil {
				t.Fatal(err)
			}
			wire = f
		}
		var o outcome
		play := func() { o = session(&p, &c.executed, wire) }
		if w.Pty {
			play()
		} else {
			inBubble(t, play)
		}
		for _, text := range c.report.add(o) {
			fmt.Println(text)
		}
		for _, r := range o.runs {
			fmt.Printf("file %d of %d commands: %+v %s %q\n", r.file+1, r.verdict.Commands, r.verdict, r.cause, r.text)
		}
		if wire != nil {
			wire.Close()
		}
	}
	c.report.took = time.Since(c.report.began)
}

// hangs ends the program with the stacks of all goroutines.
func hangs(c *campaign) {
	pprof.Lookup("goroutine").WriteTo(os.Stderr, 2)
	c.report.took = time.Since(c.report.began)
	c.report.write(os.Stdout)
	os.Exit(1)
}
