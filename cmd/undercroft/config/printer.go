package config

import (
	"os"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"

	"undercroft/queue"
)

const (
	defaultCoolBelowC       = 45
	defaultRunoutFailsAfter = 12 * time.Hour
	// A nozzle that waits hot drips and chars its filament; a bed that cools lets
	// go of the piece.
	defaultHeldCoolsAfter = 30 * time.Minute
	defaultPrimeMM        = 3
	defaultPurgeMM        = 40
)

func (r *reader) printers(c *Config, root *table) {
	for _, t := range r.many(root, "printer", "there is nothing to print on") {
		c.Printers = append(c.Printers, r.printer(t))
	}
}

func (r *reader) printer(t *table) Printer {
	var p Printer
	p.Name = r.name(t, "printer")
	kind := t.need("kind", "printers of one kind may print each other's files")
	p.Kind = r.text(kind, "kind", "the name of a kind")
	r.checkName(kind, "kind", p.Kind)
	if p.Kind == queue.ByHand { // there is nothing to connect, and nothing to watch
		t.done()
		return p
	}
	r.port(&p, t)

	if v, ok := r.numbers(t.need("volume_mm", "how large a piece it can make: [x, y, z]"), "volume_mm", 3, "x, y, z", millimetres, span{most: 5000, open: true}); ok {
		p.VolumeMM = [3]float64(v)
		if at := t.entry("volume_mm").value; min(v[0], v[1], v[2]) < 40 {
			r.warn(at.at, at.length, "volume_mm: %s × %s × %s mm is small for a printer; were centimetres meant?", short(v[0]), short(v[1]), short(v[2]))
		}
	}
	r.origin(&p, t)
	p.MaxNozzleC, _ = r.number(t.need("max_nozzle_c", "the hottest that the nozzle may become"), "max_nozzle_c", celsius, span{least: 100, most: 500})
	p.MaxBedC, _ = r.number(t.need("max_bed_c", "the hottest that the bed may become; 0 when it is not heated"), "max_bed_c", celsius, span{most: 200})
	p.CoolBelowC = defaultCoolBelowC
	if v := t.ask("cool_below_c"); v != nil {
		p.CoolBelowC, _ = r.number(v, "cool_below_c", celsius, span{least: 15, most: 80})
	}
	r.draw(&p, t)

	p.StallAfter = r.duration(t.ask("stall_after"), "stall_after", 0, time.Hour)
	p.RunoutFailsAfter = r.duration(t.ask("runout_fails_after"), "runout_fails_after", defaultRunoutFailsAfter, 14*24*time.Hour)
	if v := t.ask("park_gcode"); v != nil {
		p.ParkGCode = lines(r.text(v, "park_gcode", "G-code that brings the nozzle out of the way"))
	}
	if v := t.ask("end_gcode"); v != nil {
		p.EndGCode = lines(r.text(v, "end_gcode", "G-code for the end of a run that was stopped"))
	}
	r.held(&p, t)
	r.clearing(&p, t)
	if v := t.ask("limits"); v != nil {
		if v.table == nil {
			r.wrongType(v, "limits", "a table, [printer.limits]")
		} else {
			p.Limits = r.limits(v.table)
		}
	}
	t.done()
	return p
}

// origin reads where X0 Y0 lies: in the bed's front left corner unless it is said.
func (r *reader) origin(p *Printer, t *table) {
	v := t.ask("origin_mm")
	switch {
	case v == nil:
	case v.kind == unstable.String && v.text == "centre":
		p.OriginMM = [2]float64{p.VolumeMM[0] / 2, p.VolumeMM[1] / 2}
	case v.kind == unstable.String:
		r.problem(v.at, v.length, `origin_mm: %q is not a place; wanted is "centre", or [x, y] from the bed's front left corner`, v.text)
	default:
		if list, ok := r.numbers(v, "origin_mm", 2, "x, y", millimetres, span{least: -500, most: 5000}); ok {
			p.OriginMM = [2]float64(list)
		}
	}
}

func (r *reader) port(p *Printer, t *table) {
	v := t.need("path", "the serial port, best by its place: /dev/serial/by-path/…")
	p.Path = r.text(v, "path", "the name of a serial port")
	if strings.HasPrefix(p.Path, "/dev/ttyUSB") || strings.HasPrefix(p.Path, "/dev/ttyACM") {
		r.warn(v.at, v.length, "path: %s may name another printer after the next start of this computer; a name under /dev/serial/by-path stays with the socket", p.Path)
	}
	p.Baud, _ = r.whole(t.need("baud", "the rate of the serial port, such as 115200 or 250000"), "baud", bits, span{least: 1200, most: 4_000_000})
	if v := t.ask("window_bytes"); v != nil {
		p.WindowBytes, _ = r.whole(v, "window_bytes", bytesUnit, span{least: 0, most: 4096})
	}
}

func (r *reader) draw(p *Printer, t *table) {
	any := span{most: 20000, open: true}
	heat, okHeat := r.number(t.need("heating_w", "what it draws while it heats up"), "heating_w", watts, any)
	v := t.need("steady_w", "what it draws on average while it prints")
	steady, okSteady := r.number(v, "steady_w", watts, any)
	if okHeat && okSteady && steady > heat {
		r.problem(v.at, v.length, "steady_w is %s, more than heating_w, %s; were they swapped?", short(steady), short(heat))
	}
	p.HeatingW, p.SteadyW = heat, steady
	p.Circuit = r.text(t.need("circuit", "the name of the [[circuit]] that it hangs on"), "circuit", "the name of a circuit")
}

// callCommands are those of files that call for a person.
var callCommands = []string{"M0", "M1", "M25", "M125", "M226", "M600", "M601"}

// held reads how a held run waits for a person.
func (r *reader) held(p *Printer, t *table) {
	if v := t.ask("held_at_mm"); v != nil {
		if at, ok := r.numbers(v, "held_at_mm", 2, "x, y", millimetres, span{least: -1000, most: 5000}); ok {
			p.HeldAtMM = &[2]float64{at[0], at[1]}
		}
	}
	off := 0.0
	p.HeldNozzleC, p.HeldCoolsAfter, p.PrimeMM, p.PurgeMM = &off, defaultHeldCoolsAfter, defaultPrimeMM, defaultPurgeMM
	if v := t.ask("held_nozzle_c"); v != nil {
		if c, ok := r.number(v, "held_nozzle_c", celsius, span{most: 500}); ok {
			p.HeldNozzleC = &c
		}
	}
	if v := t.ask("held_bed_c"); v != nil {
		if c, ok := r.number(v, "held_bed_c", celsius, span{most: 200}); ok {
			p.HeldBedC = &c
		}
	}
	p.HeldCoolsAfter = r.duration(t.ask("held_cools_after"), "held_cools_after", defaultHeldCoolsAfter, 14*24*time.Hour)
	if v := t.ask("prime_mm"); v != nil {
		p.PrimeMM, _ = r.number(v, "prime_mm", millimetres, span{most: 200})
	}
	if v := t.ask("purge_mm"); v != nil {
		p.PurgeMM, _ = r.number(v, "purge_mm", millimetres, span{most: 500})
	}
	list := t.ask("calls_here")
	for i, code := range r.texts(list, "calls_here", "a command that calls for a person, such as \"M600\"") {
		code = strings.ToUpper(strings.TrimSpace(code))
		if !slices.Contains(callCommands, code) {
			r.problem(list.items[i].at, list.items[i].length, "calls_here: %s is no call for a person; there are %s", code, strings.Join(callCommands, ", "))
			continue
		}
		p.CallsHere = append(p.CallsHere, code)
	}
}

// clearing reads the owner's clearing routine, given as text or as a file.
func (r *reader) clearing(p *Printer, t *table) {
	text, file, most := t.ask("clearing_gcode"), t.ask("clearing_file"), t.ask("clearing_max_in_row")
	k := Clearing{MaxInRow: 1}
	if most != nil {
		k.MaxInRow, _ = r.whole(most, "clearing_max_in_row", noUnit, span{least: 1, most: 100})
	}
	switch {
	case text != nil && file != nil:
		r.problem(file.at, file.length, "clearing_file and clearing_gcode are both given; one of them is meant")
		return
	case text != nil:
		k.GCode = r.text(text, "clearing_gcode", "G-code that clears the plate")
	case file != nil:
		name := r.besides(r.text(file, "clearing_file", "the name of a file with G-code that clears the plate"))
		if name == "" {
			return
		}
		data, err := os.ReadFile(name)
		switch {
		case err != nil:
			r.problem(file.at, file.length, "clearing_file: %s cannot be read", name)
			return
		case len(data) > maxBytes:
			r.problem(file.at, file.length, "clearing_file: %s is larger than 1 MB", name)
			return
		}
		k.GCode = string(data)
	default:
		if most != nil {
			r.problem(most.at, most.length, "clearing_max_in_row is given, but neither clearing_gcode nor clearing_file")
		}
		return
	}
	if len(lines(k.GCode)) == 0 {
		v := text
		if v == nil {
			v = file
		}
		if v.kind == unstable.String && strings.TrimSpace(v.text) != "" {
			r.problem(v.at, v.length, "the clearing routine has no command in it")
		}
		return
	}
	p.Clearing = &k
}

// lines gives the commands of a short piece of G-code, without comments.
func lines(gcode string) []string {
	var out []string
	for line := range strings.Lines(gcode) {
		line, _, _ = strings.Cut(line, ";")
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}
