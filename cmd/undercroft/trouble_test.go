package main

import (
	"strings"
	"syscall"
	"testing"

	"undercroft/web"
)

// TestTheLinkIsLostInMidPrint pulls the cable in mid-print: the run ends as a
// mishap with its height, the other printer goes on, and the link comes back by
// itself when the port does.
func TestTheLinkIsLostInMidPrint(t *testing.T) {
	t.Parallel()
	s := newSiteOf(t, 300,
		sitePrinter{name: "Egret", virtual: []string{"--faults", "unplug@line=4000,replug=2s"}},
		sitePrinter{name: "Curlew"})
	s.serve()
	s.ready("Egret", "Curlew")
	s.must("add", s.part("Bracket 1"), s.part("Bracket 2"))
	printer := func(name string) web.Printer { return printerOf(t, ask[[]web.Printer](s, "printers"), name) }
	s.wait("the links", func() bool { return printer("Egret").Phase == "ready" && printer("Curlew").Phase == "ready" })
	s.must("cleared", "Egret")
	s.wait("the first start", func() bool { return printer("Egret").Run != nil })
	s.must("cleared", "Curlew")
	s.wait("the second start", func() bool { return printer("Curlew").Run != nil })

	s.wait("the mishap", func() bool { return len(ask[[]web.Mishap](s, "mishaps")) == 1 })
	m := ask[[]web.Mishap](s, "mishaps")[0]
	if m.Printer != "Egret" || m.Result != "failed" || m.Cause != "port-lost" || m.CompletedMM <= 0 || m.GramsSpent <= 0 || len(m.Heat) == 0 {
		t.Errorf("the mishap is %+v", m)
	}
	if p := printer("Curlew"); p.Run == nil {
		t.Errorf("the other printer stopped too: %+v", p)
	}
	s.wait("the link to come back", func() bool { p := printer("Egret"); return p.Phase == "ready" || p.Phase == "cooling" })
	if p := printer("Egret"); p.Run != nil || p.Plate.State != "occupied" {
		t.Errorf("after the mishap a person must look at the plate: %+v", p)
	}
	s.end(syscall.SIGTERM)
	s.endVirtual()
	truthMM, targets := endState(t, s.trace("Egret"))
	if m.CompletedMM > truthMM || m.CompletedMM < truthMM-2*0.2-1e-6 {
		t.Errorf("completed height %.2f mm; the trace says %.2f mm", m.CompletedMM, truthMM)
	}
	for _, target := range targets {
		if target != 0 {
			t.Errorf("a heater's target is %g °C at the end", target)
		}
	}
}

// TestFilamentRunsOut lets a spool end in mid-print with nobody there: after the
// owner's patience the run ends as a mishap.
func TestFilamentRunsOut(t *testing.T) {
	t.Parallel()
	s := newSiteOf(t, 300, sitePrinter{
		name: "Egret", conf: `runout_fails_after = "10m"`,
		virtual: []string{"--all-options", "--faults", "runout@line=3000"},
	})
	s.serve()
	s.ready("Egret")
	s.must("add", s.part("Bracket 1"))
	s.wait("the link", func() bool { return ask[[]web.Printer](s, "printers")[0].Phase == "ready" })
	s.must("cleared", "Egret")
	s.wait("the pause", func() bool { return ask[[]web.Printer](s, "printers")[0].Phase == "paused" })
	if p := ask[[]web.Printer](s, "printers")[0]; !strings.Contains(p.Why, "filament") {
		t.Errorf("the pause says nothing of filament: %q", p.Why)
	}
	s.wait("the mishap", func() bool { return len(ask[[]web.Mishap](s, "mishaps")) == 1 })
	if m := ask[[]web.Mishap](s, "mishaps")[0]; m.Cause != "runout" || m.CompletedMM <= 0 {
		t.Errorf("the mishap is %+v", m)
	}
}

// TestTheClearingRoutine lets a printer clear its own plate: once, for a file
// that is marked for it; then a person must look.
func TestTheClearingRoutine(t *testing.T) {
	t.Parallel()
	s := newSiteOf(t, 1500, sitePrinter{
		name: "Egret", conf: "clearing_gcode = \"\"\"\nG28\nG1 Z2 F600\nG1 X150 Y290 F6000\nG1 Y5 F1800\n\"\"\"",
	})
	s.serve()
	s.ready("Egret")
	file := s.part("Bracket 1")
	s.must("add", "--clears-itself", "--count", "2", file)
	s.wait("the link", func() bool { return ask[[]web.Printer](s, "printers")[0].Phase == "ready" })
	s.must("cleared", "Egret")
	s.wait("the second print to end", func() bool {
		jobs := ask[[]web.Job](s, "jobs")
		return len(jobs) == 2 && jobs[0].State == "awaits-yield" && jobs[1].State == "awaits-yield"
	})
	s.wait("the question", func() bool {
		p := ask[[]web.Printer](s, "printers")[0]
		return p.Phase == "ready" && p.Plate.State == "occupied" && p.Plate.Question != ""
	})
	s.end(syscall.SIGTERM)
	s.endVirtual()
	pushes := 0
	for _, c := range executed(t, s.trace("Egret")) {
		if c == "G1 X150 Y290 F6000" {
			pushes++
		}
	}
	if pushes != 1 {
		t.Errorf("the routine ran %d times, 1 is allowed in a row", pushes)
	}
}
