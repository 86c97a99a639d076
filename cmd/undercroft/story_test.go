package main

import (
	"bufio"
	"bytes"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"undercroft/web"
)

// TestScripts runs the stories of commands that need no daemon.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", UpdateScripts: os.Getenv("UNDERCROFT_UPDATE") != ""})
}

// codes are the obstacles of a printer to a job.
func codes(t *testing.T, w web.Why, printer string) []string {
	t.Helper()
	for _, p := range w.Printers {
		if p.Printer == printer {
			var out []string
			for _, o := range p.Obstacles {
				out = append(out, o.Code)
			}
			return out
		}
	}
	t.Fatalf("why says nothing of %s", printer)
	return nil
}

// TestWhy asks why a job waits, for each kind of reason that a person meets.
func TestWhy(t *testing.T) {
	t.Parallel()
	s := newSite(t, 300, "Curlew", "Egret")
	s.serve()
	file := s.part("Bracket 1")
	s.must("add", file)
	both := []string{"Curlew", "Egret"}
	expect := func(what, printer string, want ...string) {
		t.Helper()
		var got []string
		s.wait(what, func() bool {
			got = codes(t, ask[web.Why](s, "why", "1"), printer)
			return slices.Equal(got, want) || got == nil
		})
		if !slices.Equal(got, want) {
			t.Errorf("%s: obstacles of %s are %v, want %v", what, printer, got, want)
		}
	}
	s.wait("the links", func() bool {
		return !slices.ContainsFunc(ask[[]web.Printer](s, "printers"), func(p web.Printer) bool { return p.Phase != "ready" })
	})
	expect("nothing was said yet", "Egret", "nozzle", "material", "surface", "plate", "hours-unanswered")

	s.ready(both...)
	expect("a new printer's plate is unknown", "Egret", "plate")
	s.must("fit", "Curlew", "--nozzle", "0.8")
	expect("another nozzle", "Curlew", "nozzle", "plate")
	s.must("fit", "Curlew", "--material", "PETG")
	expect("another material too", "Curlew", "nozzle", "material", "plate")
	text := s.must("why", "1")
	if want := "needs 0.4 mm nozzle, 0.8 is fitted"; !strings.Contains(text, want) {
		t.Errorf("why does not say %q:\n%s", want, text)
	}

	s.must("lend", "Curlew")
	expect("lent", "Curlew", "lent", "nozzle", "material", "plate")
	s.must("hours", "--cold", "daily 00:00-24:00")
	expect("cold hours", "Egret", "plate", "cold-hours")
	s.must("hours", "--cold", "none")
	s.must("out-of-service", "Egret", "--reason", "belt worn")
	expect("out of service", "Egret", "out-of-service", "plate")
	if text := s.must("why", "1"); !strings.Contains(text, "belt worn") {
		t.Errorf("why does not say the reason:\n%s", text)
	}
	s.must("in-service", "Egret")
	s.must("hold", "1")
	if w := ask[web.Why](s, "why", "1"); w.Job.State != "on-hold" {
		t.Errorf("a held job is %s", w.Job.State)
	}
	if _, _, code := s.try("why", "99"); code != exitNotFound {
		t.Errorf("why of a job that there is not: exit code %d", code)
	}
}

// TestAnEvening is the main job as its user lives it: files are added, a plate
// is cleared, a print runs to its end, its pieces are counted, the next one
// starts, Ctrl-C settles the printer, and the next start shows what was
// interrupted.
func TestAnEvening(t *testing.T) {
	t.Parallel()
	s := newSite(t, 1000, "Egret")
	s.serve()
	s.ready("Egret")
	s.must("add", s.part("Bracket 1"), s.part("Bracket 2"))
	s.must("order", "1") // else the longer one would go first
	printer := func() web.Printer { return printerOf(t, ask[[]web.Printer](s, "printers"), "Egret") }
	s.wait("the link", func() bool { return printer().Phase == "ready" })
	if p := printer(); p.Run != nil || p.Plate.Question == "" {
		t.Fatalf("nothing may start on a plate that nobody has cleared: %+v", p)
	}
	s.must("cleared", "Egret")
	s.wait("the first print to end", func() bool { return ask[[]web.Job](s, "jobs")[0].State == "awaits-yield" })
	s.wait("the printer to cool", func() bool { return printer().Phase == "ready" })
	if p := printer(); p.Run != nil || p.Plate.State != "occupied" || !strings.Contains(p.Plate.Question, "good") {
		t.Fatalf("after the end the piece lies on the plate: %+v", p)
	}
	s.must("cleared", "Egret", "--good", "1")
	s.wait("the second print", func() bool { p := printer(); return p.Run != nil && p.Run.LayersDone > 5 })
	if jobs := ask[[]web.Job](s, "jobs", "--all"); jobs[0].State != "done" || jobs[1].State != "running" {
		t.Errorf("the jobs are %+v", jobs)
	}

	if code := s.end(syscall.SIGINT); code != 0 {
		t.Errorf("Ctrl-C ended the daemon with exit code %d", code)
	}
	s.serve()
	if jobs := ask[[]web.Job](s, "jobs"); len(jobs) != 1 || jobs[0].State != "needs-decision" {
		t.Errorf("after Ctrl-C the jobs are %+v", jobs)
	}
	s.must("decide", "2", "again")
	if jobs := ask[[]web.Job](s, "jobs"); len(jobs) != 1 || jobs[0].State != "queued" {
		t.Errorf("after the decision the jobs are %+v", jobs)
	}
	s.end(syscall.SIGTERM)
	s.endVirtual()
	_, targets := endState(t, s.trace("Egret"))
	for _, target := range targets {
		if target != 0 {
			t.Errorf("a heater's target is %g °C after Ctrl-C", target)
		}
	}
	inOrder(t, s.trace("Egret"), s.part("Bracket 1"))
}

// inOrder holds a trace against a file: its commands stand there in one piece,
// each once.
func inOrder(t *testing.T, trace, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	lines := bufio.NewScanner(bytes.NewReader(text))
	for lines.Scan() {
		code, _, _ := strings.Cut(lines.Text(), ";")
		if code = strings.TrimSpace(code); code != "" && !isHostsOwn([]byte(code)) {
			want = append(want, code)
		}
	}
	got := executed(t, trace)
	at := slices.Index(got, want[0])
	for i, w := range want {
		if at < 0 || at+i >= len(got) || got[at+i] != w {
			t.Fatalf("the trace differs from the file at command %d, %q", i+1, w)
		}
	}
}
