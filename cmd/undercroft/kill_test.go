package main

import (
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"undercroft/web"
)

// TestKilledInMidPrint kills the daemon without warning in mid-print: nothing is
// lost, nothing starts twice, the run is a mishap with a height at or below what
// the machine did and within two layers of it, and `cool` leaves no heater on.
func TestKilledInMidPrint(t *testing.T) {
	for _, direct := range []bool{false, true} {
		name := "the daemon cools after its restart"
		if direct {
			name = "cool goes to the ports while there is no daemon"
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			const layerMM = 0.2
			s := newSite(t, 300, "Egret")
			s.serve()
			s.ready("Egret")
			s.must("add", s.part("Bracket 1"), s.part("Bracket 2"))
			s.wait("the link", func() bool { return ask[[]web.Printer](s, "printers")[0].Phase == "ready" })
			s.must("cleared", "Egret")
			s.wait("twenty layers", func() bool {
				p := ask[[]web.Printer](s, "printers")[0]
				return p.Run != nil && p.Run.LayersDone >= 20
			})
			if code := s.end(syscall.SIGKILL); code == 0 {
				t.Fatal("the daemon ended in order, it was to be killed")
			}
			if direct {
				s.must("cool", "--config", filepath.Join(s.dir, "undercroft.toml"))
			}
			s.serve()
			jobs := ask[[]web.Job](s, "jobs")
			if len(jobs) != 2 || jobs[0].State != "needs-decision" || jobs[1].State != "queued" {
				t.Fatalf("after the restart the jobs are %+v", jobs)
			}
			mishaps := ask[[]web.Mishap](s, "mishaps")
			if len(mishaps) != 1 || mishaps[0].Result != "interrupted" {
				t.Fatalf("after the restart the mishaps are %+v", mishaps)
			}
			// The heat was ours: the daemon turns it off by itself.
			s.wait("the heaters to be off", func() bool {
				p := ask[[]web.Printer](s, "printers")[0]
				return len(p.Heaters) > 0 && (p.Phase == "cooling" || p.Phase == "ready") && p.Heaters[0].TargetC == 0
			})
			s.must("cool")
			time.Sleep(time.Second) // a start that should not be would come by now
			if p := ask[[]web.Printer](s, "printers")[0]; p.Run != nil || p.Plate.State != "occupied" {
				t.Errorf("after the restart the printer is %+v", p)
			}
			if code := s.end(syscall.SIGTERM); code != 0 {
				t.Errorf("the daemon ended with exit code %d", code)
			}
			s.endVirtual()
			truthMM, targets := endState(t, s.trace("Egret"))
			for _, target := range targets {
				if target != 0 {
					t.Errorf("a heater's target is %g °C after cool", target)
				}
			}
			m := mishaps[0]
			if m.CompletedMM > truthMM || m.CompletedMM < truthMM-2*layerMM-1e-6 {
				t.Errorf("completed height %.2f mm; the trace says %.2f mm", m.CompletedMM, truthMM)
			}
			t.Logf("completed height %.2f mm, trace %.2f mm", m.CompletedMM, truthMM)
		})
	}
}
