package dispatch

import (
	"time"

	"undercroft/fleet/power"
	"undercroft/queue"
)

// Declared is what the owner may change while the house runs.
type Declared struct {
	Machines   []Machine       // of the same names; kind, circuit and clearing routine stay
	Circuits   []power.Circuit // of the same names
	StartDelay time.Duration   // as in Options
	Surfaces   queue.Surfaces
}

// Declare takes in what the owner has changed. Leases that are held stay as they
// are: a circuit whose limit is now lower than what is leased starts nothing
// until enough has ended. Machines and circuits that the house does not have are
// ignored.
func (d *Dispatcher) Declare(n Declared) {
	d.turn.Lock()
	d.mu.Lock()
	all := append([]power.Circuit(nil), d.circuits()...)
	for i := range all {
		for _, c := range n.Circuits {
			if c.Name == all[i].Name {
				all[i] = c
			}
		}
	}
	d.declared.Store(&all)
	if n.StartDelay == 0 {
		n.StartDelay = time.Minute
	}
	d.startDelay, d.surfaces = n.StartDelay, n.Surfaces
	for _, m := range n.Machines {
		p := d.byName[m.Name]
		if p == nil {
			continue
		}
		c := &p.conf
		c.VolumeMM, c.OriginMM, c.MaxNozzleC, c.MaxBedC, c.Load = m.VolumeMM, m.OriginMM, m.MaxNozzleC, m.MaxBedC, m.Load
	}
	for _, p := range d.printers {
		p.changed++
	}
	d.mu.Unlock()
	d.turn.Unlock()
	d.poke()
}

// circuits are those in force; the list is never changed in place.
func (d *Dispatcher) circuits() []power.Circuit { return *d.declared.Load() }
