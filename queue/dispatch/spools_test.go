package dispatch

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/store"
)

// drawing gives the run in hand of a printer the filament that it has drawn.
func (p *fake) drawing(mm float64, layers int) {
	p.set(func(s *fleet.Snapshot) { r := *s.Run; r.FilamentMM, r.LayersDone = mm, layers; s.Run = &r })
}

func TestAReelThatWillNotLastKeepsAJobBackAndSaysWhatWouldDo(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		job := h.add(quick("wing"), 1, nil)[0]
		g := func(v float64) *float64 { return &v }
		for _, r := range []queue.Spool{{Number: 3, Material: "pla", Grams: g(9)}, {Number: 4, Material: "PLA", Grams: g(700)}} {
			if _, err := h.AddSpool(ctx, r); err != nil {
				t.Fatal(err)
			}
		}
		if err := h.Load(ctx, "Bittern", 3); err != nil {
			t.Fatal(err)
		}
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(job.ID, queue.Queued)
		w, err := h.Why(ctx, job.ID)
		if err != nil || len(w.Printers[0].Obstacles) != 1 {
			t.Fatalf("%+v, %v", w, err)
		}
		o := w.Printers[0].Obstacles[0]
		// 6 m of 1.75 mm PLA at 1.24 g/cm³ weigh 17.9 g (geometry); 5 % more are wanted.
		if o.Code != queue.CodeSpool || !strings.HasPrefix(o.Text, "needs 19 g with a margin, 9 g are left on the spool") || !strings.HasPrefix(o.Remedy, "load reel 4 (700 g) on Bittern") {
			t.Errorf("%q => %q", o.Text, o.Remedy)
		}
		none := 0.0
		if err := h.SetStock(ctx, queue.Stock{Margin: &none, Warn: true}); err != nil {
			t.Fatal(err)
		}
		sleep(time.Second)
		h.want(job.ID, queue.Running) // the owner wants a warning only
		if err := h.SetStock(ctx, queue.Stock{Margin: g(math.NaN())}); !errors.Is(err, queue.ErrInvalid) {
			t.Errorf("a margin that is none: %v", err)
		}
		if _, err := h.AddSpool(ctx, queue.Spool{Material: "CORK"}); !errors.Is(err, queue.ErrInvalid) || !strings.Contains(err.Error(), "density of CORK") {
			t.Errorf("%v", err)
		}
	})
}

// Where a reel ends is foretold while the run goes on, by the filament and the
// pace that the run has shown, and anew after a weighing or another reel.
func TestWhereAReelEndsIsForetold(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		job := h.add(quick("wing"), 1, nil)[0]
		g := func(v float64) *float64 { return &v }
		for n, left := range []float64{500, 300} {
			if _, err := h.AddSpool(ctx, queue.Spool{Number: n + 1, Material: "PLA", TareG: g(200), Grams: g(left)}); err != nil {
				t.Fatal(err)
			}
		}
		if err := h.Load(ctx, "Bittern", 1); err != nil {
			t.Fatal(err)
		}
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		h.want(job.ID, queue.Running)
		p := h.byName["Bittern"]
		h.mu.Lock() // 2 m a layer, 20 minutes each
		p.layers = []queue.LayerDraw{{TopMM: 0.2, EndS: 1200, FilamentMM: 2000}, {TopMM: 0.4, EndS: 2400, FilamentMM: 4000}, {TopMM: 0.6, EndS: 3600, FilamentMM: 6000}}
		h.mu.Unlock()
		b := h.f.all["Bittern"]
		b.drawing(1000, 0) // half of layer 1: the estimate is at 600 s
		perMM := math.Pi / 4 * 1.75 * 1.75 * 1.24 / 1000
		if v := h.view("Bittern"); v.ReelEnds != nil || math.Abs(*v.Spool.Grams-(500-1000*perMM)) > 1e-9 {
			t.Errorf("%+v", v.ReelEnds)
		}
		// The scales show what lasts for 2 m more: the middle of layer 2, at 1800 s.
		if _, err := h.Weigh(ctx, 1, store.Weighing{GrossG: g(200 + 2000*perMM)}); err != nil {
			t.Fatal(err)
		}
		b.set(func(s *fleet.Snapshot) { r := *s.Run; r.LeftS = 6000; s.Run = &r }) // half as fast as estimated: 6000 s for 3000
		v := h.view("Bittern")
		if e := v.ReelEnds; e == nil || e.Layer != 2 || e.Layers != 3 || e.TopMM != 0.4 {
			t.Fatalf("%+v", e)
		} else if in := e.At.Sub(h.View().At); math.Abs(in.Seconds()-2400) > 0.01 {
			t.Errorf("in %v, want 40 minutes", in)
		}
		if err := h.Load(ctx, "Bittern", 2); err != nil {
			t.Fatal(err)
		}
		if v := h.view("Bittern"); v.ReelEnds != nil || v.Spool.Number != 2 {
			t.Errorf("%+v %+v", v.ReelEnds, v.Spool)
		}
	})
}

func TestSomebodyIsCalledToAFirstLayer(t *testing.T) {
	in(t, []string{"Bittern"}, nil, func(t *testing.T, h *house) {
		jobs := h.add(quick("wing"), 2, nil)
		h.cleared("Bittern")
		sleep(2 * time.Minute)
		b := h.f.all["Bittern"]
		if v := h.view("Bittern"); v.Eyes != queue.EyesWanted {
			t.Errorf("before the layer: %q", v.Eyes)
		}
		b.drawing(2000, 1)
		sleep(time.Second)
		if v := h.view("Bittern"); v.Eyes != queue.EyesAsked || v.EyesAt.IsZero() || !strings.Contains(v.EyesWhy, "the file's first run") {
			t.Errorf("%q because %q", v.Eyes, v.EyesWhy)
		}
		if err := h.Eyes(ctx, "Bittern", true); err != nil {
			t.Fatal(err)
		}
		if err := h.Eyes(ctx, "Bittern", true); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("answered twice: %v", err)
		}
		b.end(fleet.Finished, "")
		sleep(time.Second)
		b.phase(fleet.Ready)
		h.cleared("Bittern")
		if err := h.Eyes(ctx, "Bittern", true); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("nothing runs: %v", err)
		}
		nozzle := 0.4
		colour := "white"
		material := "PLA"
		if err := h.Fit(ctx, "Bittern", Fit{NozzleMM: &nozzle, Material: &material, Colour: &colour}); err != nil {
			t.Fatal(err)
		}
		sleep(2 * time.Minute)
		h.want(jobs[1].ID, queue.Running)
		b.drawing(2000, 1)
		sleep(time.Second)
		if v := h.view("Bittern"); v.Eyes != queue.EyesAsked || v.EyesWhy != "the first since another reel" {
			t.Errorf("%q because %q", v.Eyes, v.EyesWhy)
		}
		if err := h.Eyes(ctx, "Bittern", false); err != nil {
			t.Fatal(err)
		}
		h.want(jobs[1].ID, queue.NeedsDecision)
		if m := h.View().Mishaps; len(m) != 1 || m[0].Cause != "the first layer was not good" {
			t.Errorf("%+v", m)
		}
		if err := h.SetEyes(ctx, false); err != nil || !h.View().EyesOff {
			t.Error(err)
		}
	})
}

// What is drawn outside of the layers counts from the start, and the whole of a
// finished file is what its analysis says.
func TestPrimeLinesAreDrawnToo(t *testing.T) {
	list := fleetLayers([]analyze.Layer{{FilamentMM: 100}, {FilamentMM: 50}}, 168)
	if list[0].FilamentMM != 118 || list[1].FilamentMM != 168 {
		t.Errorf("%+v", list)
	}
}
