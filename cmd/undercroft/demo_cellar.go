package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"undercroft/cmd/undercroft/config"
	"undercroft/cmd/undercroft/heron"
	"undercroft/fleet/sim"
)

// demoCellar is the demo's virtual printers on their pseudo-terminals.
type demoCellar struct {
	printers map[string]*virtual
	order    []string
}

// virtual is one virtual printer with the observer of what it does.
type virtual struct {
	sim      *sim.Printer
	observer *observer
	fitted   heron.Printer
}

// openCellar starts the build's virtual printers with their ports below dir.
func openCellar(b heron.Build, dir string, seed uint64, pace float64) (_ *demoCellar, err error) {
	ports := filepath.Join(dir, "ports")
	if err := os.MkdirAll(ports, 0o700); err != nil {
		return nil, err
	}
	c := &demoCellar{printers: map[string]*virtual{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	for i, p := range b.Printers {
		v := &virtual{observer: &observer{}, fitted: p}
		v.fitted.Path = filepath.Join(ports, p.Name)
		v.sim, err = sim.New(sim.Options{
			Path: v.fitted.Path, Family: sim.Family(p.Family), AllOptions: true, Pace: pace,
			VolumeMM: p.VolumeMM, MaxC: [2]float64{p.MaxNozzleC, p.MaxBedC},
			Seed: seed + uint64(i), OnExecute: v.observer.execute,
		})
		if err != nil {
			return nil, fmt.Errorf("the virtual printer %s: %w", p.Name, err)
		}
		c.printers[p.Name] = v
		c.order = append(c.order, p.Name)
	}
	return c, nil
}

func (c *demoCellar) close() error {
	var errs []error
	for _, v := range c.printers {
		if v.sim != nil {
			errs = append(errs, v.sim.Close())
		}
	}
	return errors.Join(errs...)
}

// hot lists the heaters that have a target.
func (c *demoCellar) hot() []string {
	var out []string
	for _, name := range c.order {
		for _, h := range c.printers[name].sim.Heaters() {
			if h.TargetC > 0 {
				out = append(out, fmt.Sprintf("%s %s (%.0f °C)", name, h.Name, h.TargetC))
			}
		}
	}
	return out
}

// commands is how many commands all virtual printers executed.
func (c *demoCellar) commands() (n int64) {
	for _, v := range c.printers {
		n += v.observer.count()
	}
	return n
}

// config is the configuration of a house with these printers.
func (c *demoCellar) config(b heron.Build, dir, listen string) *config.Config {
	conf := &config.Config{
		Path: "(the demo)",
		House: config.House{
			Title: b.Title, TimeZone: b.TimeZone, Listen: listen, Loopback: true,
			DataDir: filepath.Join(dir, "data"), StartDelay: demoStartDelay,
		},
		Circuits: b.Circuits,
	}
	for _, name := range c.order {
		p := c.printers[name].fitted.Printer
		p.RunoutFailsAfter = demoRunoutFails
		conf.Printers = append(conf.Printers, p)
	}
	return conf
}
