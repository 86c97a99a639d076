package sim

import "io"

// Part is a heater that can break.
type Part int

// The heaters of the machine.
const (
	NozzleHeater Part = iota
	BedHeater
)

// Damage is what can happen to a heater.
type Damage int

// What breaks: the heater itself, or its sensor.
const (
	Whole Damage = iota
	Dead
	SensorOpen
	SensorShort
)

// Reset presses the board's reset button.
func (p *Printer) Reset() { p.ask(func(b *board) { b.reset("External Reset") }) }

// Unplug takes the cable out; the board lives on.
func (p *Printer) Unplug() { p.ask(func(b *board) { b.unplug() }) }

// Replug puts the cable back in: a new pseudo-terminal at the old path, or the
// given port in place of the one that was given at the start.
func (p *Printer) Replug(port io.ReadWriteCloser) {
	p.ask(func(b *board) {
		switch {
		case b.line != nil:
		case port != nil:
			b.plug(newStreamLine(port))
			b.note("replugged")
		default:
			b.replug()
		}
	})
}

// SetFilament puts filament into the runout sensor, or takes it away.
func (p *Printer) SetFilament(there bool) { p.ask(func(b *board) { b.setFilament(there) }) }

// Break breaks a heater, or mends it.
func (p *Printer) Break(h Part, d Damage) { p.ask(func(b *board) { b.damage(h, d) }) }

func (b *board) setFilament(there bool) {
	if b.out == !there {
		return
	}
	b.out = !there
	if b.out {
		b.outSince = b.filament
		if b.steps.running {
			b.outSince += b.steps.at(0).de // the move in hand is not counted
		}
		b.note("filament out at the sensor")
	} else {
		b.note("filament at the sensor")
	}
}

func (b *board) damage(p Part, d Damage) {
	h := &b.heat[p]
	h.dead, h.open, h.short = d == Dead, d == SensorOpen, d == SensorShort
	words := map[Damage]string{Whole: "mended", Dead: "dead", SensorOpen: "sensor open", SensorShort: "sensor short"}
	b.note("heater " + [2]string{"T0", "B"}[p] + " " + words[d])
	b.heatSoon()
}
