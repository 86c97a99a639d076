package main

import (
	"math/rand/v2"
	"strings"
	"testing"
)

// A short campaign with real processes: ten kills in two houses of three printers.
func TestKilledTenTimes(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	c := &killCmd{Times: 10, Seed: 7, Printers: 3, Houses: 2, Pace: 1000, Dir: t.TempDir()}
	if err := c.Run(); err != nil {
		t.Fatal(err)
	}
}

// What the judge finds: each case is a ledger that says something else than the
// trace does.
func TestTheKillJudgeFindsWhatIsWrong(t *testing.T) {
	p := newPiece("feather-1", rand.New(rand.NewPCG(1, 1)))
	var trace strings.Builder
	play := func(n int) {
		for _, c := range p.commands[:n] {
			trace.WriteString("10.000000 N5 " + c + "\n11.0 - M105\n")
		}
	}
	half := p.layerEnd[len(p.layerEnd)/2]
	play(half)
	trace.WriteString("20.000000 - M104 S0\n")
	play(len(p.commands))
	player := &player{name: "Heron1"}
	k := &killing{cmd: &killCmd{Pace: 1000}, printers: nil, files: map[string]*piece{"feather-1": p}}
	for line := range strings.SplitSeq(trace.String(), "\n") {
		player.trace.line(line, k.files)
	}
	done := len(p.layerEnd)/2 + 1
	good := func() []ledgerRun {
		mm := p.layerMM[done-1]
		return []ledgerRun{
			{id: 1, job: 1, part: "feather-1", printer: "Heron1", result: "interrupted", layers: done, lastRecord: done, recordCount: done, filament: mm, grams: mm * gPerMM},
			{id: 2, job: 1, part: "feather-1", printer: "Heron1", result: "not-started"},
			{id: 3, job: 1, part: "feather-1", printer: "Heron1", result: "finished", layers: len(p.layerEnd), lastRecord: len(p.layerEnd), recordCount: len(p.layerEnd), filament: p.totalMM, grams: p.totalMM * gPerMM},
		}
	}
	judge := func(runs []ledgerRun) error {
		pairs, err := pair(player, runs)
		if err != nil {
			return err
		}
		for i := range runs {
			if err := k.hold(&runs[i], pairs[runs[i].id], &judged{}); err != nil {
				return err
			}
		}
		return nil
	}
	if err := judge(good()); err != nil {
		t.Errorf("a true ledger: %v", err)
	}
	for _, c := range []struct {
		what, want string
		change     func([]ledgerRun) []ledgerRun
	}{
		{"a start that the ledger does not know", "were executed", func(r []ledgerRun) []ledgerRun { return r[2:] }},
		{"a try that never reached the printer, twice", "", func(r []ledgerRun) []ledgerRun {
			return append(r[:1:1], ledgerRun{id: 2, job: 1, part: "feather-1", printer: "Heron1", result: "interrupted"}, r[2], ledgerRun{id: 4, job: 1, part: "feather-1", printer: "Heron1", result: "interrupted"})
		}},
		{"a layer too many", "were executed", func(r []ledgerRun) []ledgerRun {
			r[0].layers, r[0].lastRecord, r[0].recordCount, r[0].filament = done+1, done+1, done+1, p.layerMM[done]
			r[0].grams = r[0].filament * gPerMM
			return r
		}},
		{"finished, and half of it was", "commands were executed", func(r []ledgerRun) []ledgerRun { r[0].result = "finished"; return r }},
		{"grams", "weigh", func(r []ledgerRun) []ledgerRun { r[2].grams++; return r }},
		{"filament", "are recorded", func(r []ledgerRun) []ledgerRun {
			r[2].filament, r[2].grams = r[2].filament-1, (r[2].filament-1)*gPerMM
			return r
		}},
		{"hours", "by the ledger", func(r []ledgerRun) []ledgerRun { r[2].ended = 1e8; return r }},
		{"a gap in the records", "layer records", func(r []ledgerRun) []ledgerRun { r[2].recordCount--; return r }},
		{"layers of what no printer executed", "cannot be paired", func(r []ledgerRun) []ledgerRun {
			return append(r[:1:1], append([]ledgerRun{{id: 9, part: "feather-2", printer: "Heron1", result: "failed", recordCount: 3}}, r[1:]...)...)
		}},
	} {
		err := judge(c.change(good()))
		if c.want == "" {
			if err != nil {
				t.Errorf("%s: %v", c.what, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}
