package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"undercroft/gcode/analyze"
	"undercroft/web"
)

// TestABrokenPieceIsCompletedElsewhere is the whole story: the cable of one
// printer comes off at a random moment, the piece is measured, what is missing is
// queued and printed on another printer with the same nozzle, and the ledger counts
// one piece once it is joined. The plastic of both traces, put together, is that of
// the unbroken print.
func TestABrokenPieceIsCompletedElsewhere(t *testing.T) {
	t.Parallel()
	line := 3000 + rand.IntN(1500)
	t.Logf("unplugged at line %d", line)
	s := newSiteOf(t, 300,
		sitePrinter{name: "Egret", virtual: []string{"--faults", fmt.Sprintf("unplug@line=%d,replug=2s", line)}},
		sitePrinter{name: "Curlew"})
	s.serve()
	s.ready("Egret", "Curlew")
	file := s.part("Bracket 1")
	s.must("add", file)
	printer := func(name string) web.Printer { return printerOf(t, ask[[]web.Printer](s, "printers"), name) }
	s.wait("the links", func() bool { return printer("Egret").Phase == "ready" && printer("Curlew").Phase == "ready" })
	s.must("cleared", "Egret")
	s.wait("the mishap", func() bool { return len(ask[[]web.Mishap](s, "mishaps")) == 1 })
	m := ask[[]web.Mishap](s, "mishaps")[0]

	// Three readings around the good height, one with its digits exchanged.
	readings := fmt.Sprintf("%.2f,%.2f,%.2f,%.2f", m.CompletedMM, m.CompletedMM+0.02, m.CompletedMM-0.02, m.CompletedMM+27)
	job := strconv.FormatInt(m.JobID, 10)
	seen := ask[web.Reprint](s, "reprint", "--job", job, "--measured", readings)
	if seen.JobID != 0 || len(seen.Heights) != 2 || math.Abs(seen.CutMM-m.CompletedMM) > 1e-6 || seen.Readings == nil || len(seen.Readings.Refused) != 1 || !strings.HasPrefix(seen.Picture, "<svg") {
		t.Fatalf("the figures are %+v", seen)
	}
	if jobs := ask[[]web.Job](s, "jobs"); len(jobs) != 1 || jobs[0].State != "needs-decision" {
		t.Fatalf("looking has changed the queue: %+v", jobs)
	}
	made := ask[web.Reprint](s, "reprint", "--job", job, "--measured", readings, "--queue")
	if made.JobID == 0 {
		t.Fatalf("nothing was queued: %+v", made)
	}
	if _, _, code := s.try("reprint", "--job", job, "--measured", readings, "--queue"); code != exitNotNow {
		t.Errorf("a mishap is answered twice: exit code %d", code)
	}
	s.must("cleared", "Curlew")
	rest := func() web.Job { return ask[[]web.Job](s, "jobs", "--all")[1] }
	s.wait("the remainder to end", func() bool { return rest().State == "awaits-yield" })
	if j := rest(); j.RemainderOf != m.JobID || j.Part != m.Part {
		t.Errorf("the remainder's job is %+v", j)
	}
	s.wait("the printer to cool", func() bool { return printer("Curlew").Phase == "ready" })
	s.must("cleared", "Curlew")
	if j := rest(); j.State != "awaits-yield" || j.Printer != "" || !strings.Contains(j.Note, "undercroft joined") {
		t.Errorf("before it is joined the job is %+v", j)
	}
	s.must("joined", strconv.FormatInt(made.JobID, 10))
	jobs := ask[[]web.Job](s, "jobs", "--all")
	if len(jobs) != 2 || jobs[0].State != "cancelled" || jobs[1].State != "done" {
		t.Errorf("at the end the jobs are %+v", jobs)
	}
	s.end(syscall.SIGTERM)
	s.endVirtual()

	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	res, err := analyze.Read(strings.NewReader(string(text)), analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	whole := deposit(strings.Split(string(text), "\n"), res.Extruded, 0)
	bottom := deposit(executed(t, s.trace("Egret")), res.Extruded, 0)
	top := deposit(executed(t, s.trace("Curlew")), res.Extruded, made.CutMM)
	cut := int(math.Round(made.CutMM * 100))
	missing, more := 0, 0
	for v := range whole {
		if v[2] <= cut && !bottom[v] || v[2] > cut && !top[v] {
			missing++
		}
	}
	for v := range top {
		if !whole[v] {
			more++
		}
	}
	for v := range bottom {
		if v[2] <= cut && !whole[v] {
			more++
		}
	}
	if missing > 0 || more > 0 || len(top) == 0 || len(bottom) == 0 {
		t.Errorf("of %d voxels %d are missing and %d too many; the cut is at %.2f mm", len(whole), missing, more, made.CutMM)
	}
}

// deposit rasterises what commands lay down within a box: cells of 0.5 mm, heights
// in hundredths of a millimetre above the plate, lifted by liftMM. It reads what
// the demo's own slicer writes: absolute places, E either way.
func deposit(commands []string, box analyze.Box, liftMM float64) map[[3]int]bool {
	out := map[[3]int]bool{}
	var x, y, z, e, owed float64
	relative := false
	for _, c := range commands {
		c, _, _ = strings.Cut(c, ";")
		f := strings.Fields(c)
		if len(f) == 0 {
			continue
		}
		word := map[byte]float64{}
		for _, w := range f[1:] {
			word[w[0]], _ = strconv.ParseFloat(w[1:], 64)
		}
		switch f[0] {
		case "M82":
			relative = false
		case "M83":
			relative = true
		case "G92":
			if v, ok := word['E']; ok {
				e = v
			}
		case "G28":
			x, y, z = 0, 0, 0
		case "G0", "G1":
			x0, y0 := x, y
			if v, ok := word['X']; ok {
				x = v
			}
			if v, ok := word['Y']; ok {
				y = v
			}
			if v, ok := word['Z']; ok {
				z = v
			}
			de := 0.0
			if v, ok := word['E']; ok {
				if de = v; !relative {
					de, e = v-e, v
				}
			}
			owed -= de
			if owed >= -1e-6 || x == x0 && y == y0 {
				owed = max(owed, 0)
				continue
			}
			owed = 0
			n := int(math.Hypot(x-x0, y-y0)/0.2) + 1
			for i := range n + 1 {
				t := float64(i) / float64(n)
				px, py := x0+(x-x0)*t, y0+(y-y0)*t
				if px < box.Min[0]-0.01 || px > box.Max[0]+0.01 || py < box.Min[1]-0.01 || py > box.Max[1]+0.01 {
					continue
				}
				out[[3]int{int(math.Floor(px * 2)), int(math.Floor(py * 2)), int(math.Round((z + liftMM) * 100))}] = true
			}
		}
	}
	return out
}
