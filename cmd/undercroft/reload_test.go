package main

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/web"
)

// Every key of the configuration either changes while the daemon runs or says
// why not.
func TestEverySettingIsReloadedOrRefused(t *testing.T) {
	for _, c := range []struct {
		of       any
		settings []setting
	}{{config.House{}, houseSettings}, {config.Circuit{}, circuitSettings}, {config.Printer{}, printerSettings}} {
		known := []string{"Name"}
		for _, s := range c.settings {
			known = append(known, s.fields...)
		}
		kind := reflect.TypeOf(c.of)
		for i := range kind.NumField() {
			if name := kind.Field(i).Name; !slices.Contains(known, name) {
				t.Errorf("nothing is said about %s.%s", kind.Name(), name)
			}
		}
	}
}

func TestMergedKeepsWhatWantsARestart(t *testing.T) {
	printer := func(name string, park string, baud int) config.Printer {
		return config.Printer{Name: name, ParkGCode: []string{park}, Baud: baud, Clearing: &config.Clearing{GCode: "G28", MaxInRow: 1}}
	}
	old := &config.Config{
		House:    config.House{Title: "Cellar", Listen: "127.0.0.1:1", StartDelay: time.Minute},
		Circuits: []config.Circuit{{Name: "north", Volts: 230, BreakerA: 16}},
		Printers: []config.Printer{printer("Merel", "G1 X0", 115200), printer("Bittern", "G1 X0", 115200)},
	}
	next := &config.Config{
		House:    config.House{Title: "Vault", Listen: "127.0.0.1:2", StartDelay: time.Minute},
		Circuits: []config.Circuit{{Name: "north", Volts: 230, BreakerA: 10}},
		Printers: []config.Printer{printer("Egret", "", 9600), printer("Merel", "G1 X9", 250000)},
	}
	got, r := merged(old, next)
	want := web.Reloaded{
		Changed: []string{"title", "north: breaker_a", "Merel: park_gcode"},
		Restart: []string{
			"listen: " + openThere, "Merel: baud: " + theLink,
			"printer Bittern is gone: what runs on it would lose its record",
			"printer Egret is new: printers and circuits are set up at the start",
		},
	}
	if !reflect.DeepEqual(r, want) {
		t.Errorf("got  %q\nwant %q", r, want)
	}
	if got.House.Title != "Vault" || got.House.Listen != "127.0.0.1:1" || got.Circuits[0].BreakerA != 10 || len(got.Printers) != 2 ||
		got.Printers[0].Baud != 115200 || got.Printers[0].ParkGCode[0] != "G1 X9" || got.Printers[1].Name != "Bittern" {
		t.Errorf("%+v", got)
	}
	if old.House.Title != "Cellar" || old.Printers[0].ParkGCode[0] != "G1 X0" {
		t.Error("the old configuration was changed in place")
	}
	if _, r := merged(old, old); r.Changed != nil || r.Restart != nil {
		t.Errorf("nothing differs, and this is said: %+v", r)
	}
}

// TestEveningOfAReload changes the configuration while a print runs: by SIGHUP
// and by command; a wrong one changes nothing.
func TestEveningOfAReload(t *testing.T) {
	t.Parallel()
	s := newSite(t, 60, "Egret")
	s.serve()
	s.must("add", s.part("Bracket 1"))
	s.ready("Egret")
	s.must("cleared", "Egret")
	s.wait("the print", func() bool {
		p := printerOf(t, ask[[]web.Printer](s, "printers"), "Egret")
		return p.Run != nil && p.Phase == "printing"
	})
	file := filepath.Join(s.dir, "undercroft.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	write := func(replace ...string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(strings.NewReplacer(replace...).Replace(string(text))), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("breaker_a = 16", "breaker_a = 10")
	if err := s.daemon.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	s.wait("the circuit's new limit", func() bool {
		return limitOf(t, s) == 230*10*0.8
	})

	write("breaker_a = 16", "breaker_a = \"ten\"")
	_, said, code := s.try("reload")
	if code != exitUsage || !strings.Contains(said, "undercroft.toml:11:13:") || !strings.Contains(said, "The old one stays in force.") {
		t.Errorf("exit code %d: %s", code, said)
	}
	if got := limitOf(t, s); got != 1840 {
		t.Errorf("after a wrong configuration the limit is %g W", got)
	}

	write("breaker_a = 16", "breaker_a = 13", "baud = 250000", "baud = 115200")
	out := s.must("reload")
	if !strings.Contains(out, "changed  wall: breaker_a") || !strings.Contains(out, "not now  Egret: baud: "+theLink) {
		t.Error(out)
	}
	if p := printerOf(t, ask[[]web.Printer](s, "printers"), "Egret"); p.Run == nil || p.Run.ID != 1 {
		t.Errorf("the running print was touched: %+v", p)
	}
	if out := s.must("reload"); strings.Contains(out, "changed  ") {
		t.Errorf("what is in force is changed again: %s", out)
	}
}

// limitOf is the limit of the site's one circuit as /metrics tells it.
func limitOf(t *testing.T, s *site) (w float64) {
	t.Helper()
	return metricOf(t, s, `undercroft_circuit_limit_watts{circuit="wall"}`)
}
