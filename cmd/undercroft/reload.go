package main

import (
	"context"
	"fmt"
	"reflect"
	"slices"

	"undercroft/cmd/undercroft/config"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/web"
)

// setting is one key of the configuration, as field names of config's types have
// it. why says why it wants a restart; empty: it changes while the daemon runs.
type setting struct {
	key    string
	fields []string
	why    string
}

const (
	openThere = "the pages are open there"
	theClock  = "everything that runs goes by it"
	theLink   = "the link to the printer is made of it"
)

var houseSettings = []setting{
	{"title", []string{"Title"}, ""},
	{"start_delay", []string{"StartDelay"}, ""},
	{"allow_codes", []string{"AllowCodes"}, ""},
	{"hosts", []string{"Hosts"}, ""},
	{"time_zone", []string{"TimeZone", "Location"}, theClock},
	{"pace", []string{"Pace"}, theClock},
	{"listen", []string{"Listen", "Loopback"}, openThere},
	{"tls", []string{"TLS", "TLSCertificate", "TLSKey"}, openThere},
	{"data", []string{"DataDir"}, "the database is open there"},
	{"inbox", []string{"Inbox"}, "it is watched from the start on"},
}

var circuitSettings = []setting{
	{"volts", []string{"Volts"}, ""},
	{"breaker_a", []string{"BreakerA"}, ""},
	{"continuous_share", []string{"ContinuousShare"}, ""},
	{"standing_w", []string{"StandingW"}, ""},
}

var printerSettings = []setting{
	{"volume_mm", []string{"VolumeMM"}, ""},
	{"origin_mm", []string{"OriginMM"}, ""},
	{"max_nozzle_c", []string{"MaxNozzleC"}, ""},
	{"max_bed_c", []string{"MaxBedC"}, ""},
	{"heating_w", []string{"HeatingW"}, ""},
	{"steady_w", []string{"SteadyW"}, ""},
	{"cool_below_c", []string{"CoolBelowC"}, ""},
	{"limits", []string{"Limits"}, ""},
	{"stall_after", []string{"StallAfter"}, ""},
	{"runout_fails_after", []string{"RunoutFailsAfter"}, ""},
	{"park_gcode", []string{"ParkGCode"}, ""},
	{"end_gcode", []string{"EndGCode"}, ""},
	{"held_at_mm", []string{"HeldAtMM"}, ""},
	{"held_nozzle_c", []string{"HeldNozzleC"}, ""},
	{"held_bed_c", []string{"HeldBedC"}, ""},
	{"held_cools_after", []string{"HeldCoolsAfter"}, ""},
	{"prime_mm", []string{"PrimeMM"}, ""},
	{"purge_mm", []string{"PurgeMM"}, ""},
	{"calls_here", []string{"CallsHere"}, ""},
	{"kind", []string{"Kind"}, "jobs are given to printers by it"},
	{"path", []string{"Path"}, theLink},
	{"baud", []string{"Baud"}, theLink},
	{"window_bytes", []string{"WindowBytes"}, theLink},
	{"circuit", []string{"Circuit"}, "watts are leased on it"},
	{"clearing_gcode", []string{"Clearing"}, "it may be on its way"},
}

// merged is the configuration that is in force after a reload: next, but for
// what wants a restart, which stays as it was. Neither is changed.
func merged(old, next *config.Config) (*config.Config, web.Reloaded) {
	var r web.Reloaded
	out := *next
	out.House = mergeOne(old.House, next.House, houseSettings, "", &r)
	out.Circuits = mergeList(old.Circuits, next.Circuits, circuitSettings, "circuit", func(c config.Circuit) string { return c.Name }, &r)
	out.Printers = mergeList(old.Printers, next.Printers, printerSettings, "printer", func(p config.Printer) string { return p.Name }, &r)
	if !reflect.DeepEqual(old.Surfaces, next.Surfaces) {
		r.Changed = append(r.Changed, "surfaces")
	}
	for _, w := range next.Warnings {
		r.Warnings = append(r.Warnings, w.Error())
	}
	return &out, r
}

// mergeOne takes over from next what may change, and notes all that differs.
func mergeOne[T any](old, next T, settings []setting, of string, r *web.Reloaded) T {
	out, was, now := reflect.ValueOf(&old).Elem(), reflect.ValueOf(old), reflect.ValueOf(next)
	for _, s := range settings {
		differs := false
		for _, f := range s.fields {
			differs = differs || !reflect.DeepEqual(was.FieldByName(f).Interface(), now.FieldByName(f).Interface())
		}
		switch {
		case !differs:
		case s.why != "":
			r.Restart = append(r.Restart, fmt.Sprintf("%s%s: %s", of, s.key, s.why))
		default:
			r.Changed = append(r.Changed, of+s.key)
			for _, f := range s.fields {
				out.FieldByName(f).Set(now.FieldByName(f))
			}
		}
	}
	return old
}

// mergeList keeps old's members and their order.
func mergeList[T any](old, next []T, settings []setting, what string, name func(T) string, r *web.Reloaded) []T {
	find := func(list []T, n string) int { return slices.IndexFunc(list, func(t T) bool { return name(t) == n }) }
	out := make([]T, len(old))
	for i, o := range old {
		at := find(next, name(o))
		if at < 0 {
			out[i] = o
			r.Restart = append(r.Restart, fmt.Sprintf("%s %s is gone: what runs on it would lose its record", what, name(o)))
			continue
		}
		out[i] = mergeOne(o, next[at], settings, name(o)+": ", r)
	}
	for _, n := range next {
		if find(old, name(n)) < 0 {
			r.Restart = append(r.Restart, fmt.Sprintf("%s %s is new: printers and circuits are set up at the start", what, name(n)))
		}
	}
	return out
}

// reload reads the configuration anew and puts what may change into force. The
// error wraps queue.ErrInvalid when the file cannot be used; then nothing changed.
func (d *daemon) reload() (web.Reloaded, error) {
	d.reloading.Lock()
	defer d.reloading.Unlock()
	old := d.house.config()
	next, err := config.Load(old.Path)
	if err != nil {
		d.log.Error("the configuration was not reloaded; the old one stays in force", "err", err)
		return web.Reloaded{}, fmt.Errorf("the configuration is not usable:\n%w\nThe old one stays in force: %w", err, queue.ErrInvalid)
	}
	conf, r := merged(old, next)
	d.put(conf)
	d.log.Info("the configuration was reloaded", "changed", r.Changed, "restart", r.Restart)
	for _, w := range r.Warnings {
		d.log.Warn("configuration", "warning", w)
	}
	return r, nil
}

// put has a merged configuration in force everywhere.
func (d *daemon) put(conf *config.Config) {
	d.house.conf.Store(conf)
	for _, s := range specs(conf) {
		d.fleet.Printer(s.Name).Declare(s)
	}
	d.dispatch.Declare(dispatch.Declared{
		Machines: machines(conf), Circuits: circuits(conf), StartDelay: startDelay(conf), Surfaces: conf.Surfaces,
	})
	d.web.SetHosts(conf.House.Hosts)
}

// Reload follows web.House.
func (h *house) Reload(context.Context) (web.Reloaded, error) { return h.reload() }

// reloadCmd has a running daemon read its configuration anew.
type reloadCmd struct{ clientFlags }

// Run says what changed, and what wants a restart and why.
func (k *reloadCmd) Run(c *client) error {
	var r web.Reloaded
	if err := c.post("/api/reload", nil, &r); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(r)
	}
	for _, w := range r.Warnings {
		fmt.Fprintln(c.err, printable(w))
	}
	for _, s := range r.Changed {
		fmt.Fprintf(c.out, "changed  %s\n", plain(s))
	}
	for _, s := range r.Restart {
		fmt.Fprintf(c.out, "not now  %s\n", plain(s))
	}
	switch {
	case len(r.Restart) > 0:
		return c.say("What is marked 'not now' wants a restart; running prints would end. What changed holds for a running print from the next one on.")
	case len(r.Changed) > 0:
		return c.say("In force. A running print keeps what it began with.")
	}
	return c.say("Nothing has changed.")
}
