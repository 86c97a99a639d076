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

// Panel gives a command at the machine's own panel: it runs between two lines of
// the host's, and the host hears nothing of it. It is an event in the trace, not
// a command.
func (p *Printer) Panel(command string) {
	p.ask(func(b *board) { b.panel = append(b.panel, command) })
}

// fromPanel runs the oldest of them.
func (b *board) fromPanel() {
	command := b.panel[0]
	b.panel = b.panel[1:]
	b.note("panel " + command)
	b.deaf = true
	b.w.read([]byte(command))
	if b.w.letter == 'G' && b.w.code <= 1 {
		to := b.target(&b.w)
		b.plan(to, to[3]-b.at[3], b.feedMMs*b.feedPct/100, nothing, false)
	} else {
		b.other(&b.w)
	}
	b.deaf = false
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
