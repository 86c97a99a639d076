package heron

import (
	"reflect"
	"testing"
	"time"

	"undercroft/web"
)

// TestPerson shows the person a cellar and compares what they set out to do.
func TestPerson(t *testing.T) {
	at := time.Date(2026, 12, 5, 19, 0, 0, 0, time.UTC)
	plate := func(runID, jobID int64, part string, pieces int) web.Plate {
		return web.Plate{State: "occupied", Question: "Is it good?", JobID: jobID, RunID: runID, Part: part, Pieces: pieces, Since: at, Surface: "textured"}
	}
	full := web.Spool{Material: "PETG", Grams: 4000}
	jobs := []web.Job{
		{ID: 1, State: "awaits-yield"}, {ID: 2, State: "needs-decision"}, {ID: 3, State: "awaits-yield"},
	}
	home := web.Hours{Answered: true, Home: "daily 07:00-23:00", HomeNow: true}
	ptr := func(n int) *int { return &n }
	from := 2.4
	for _, c := range []struct {
		name    string
		hours   web.Hours
		printer web.Printer
		cleared *web.Cleared
		fit     bool
	}{
		{"a finished part", home, web.Printer{Name: "Bittern", Spool: full, Plate: plate(10, 1, "Tail, tip", 1)}, &web.Cleared{Empty: true, Seated: true, Surface: "textured", Good: ptr(1)}, false},
		{"a plate of four with a bad one", home, web.Printer{Name: "Bittern", Spool: full, Plate: plate(10, 3, "Right wing, primaries 2", 4)}, &web.Cleared{Empty: true, Seated: true, Surface: "textured", Good: ptr(3), BadFrom: &from}, false},
		{"what a failed run left", home, web.Printer{Name: "Merel", Spool: full, Plate: plate(11, 2, "Body shell 4, breast", 1)}, &web.Cleared{Empty: true, Seated: true, Surface: "textured"}, false},
		{"first round, sheet unknown", home, web.Printer{Name: "Curlew", Spool: full, Plate: web.Plate{State: "unknown", Question: "Is it empty?"}}, &web.Cleared{Empty: true, Seated: true, Surface: "smooth"}, false},
		{"nothing asked", home, web.Printer{Name: "Bittern", Spool: full, Plate: web.Plate{State: "clear"}}, nil, false},
		{"still printing", home, web.Printer{Name: "Bittern", Spool: full, Run: &web.Run{}, Plate: plate(10, 1, "Tail, tip", 1)}, nil, false},
		{"out of service", home, web.Printer{Name: "Bittern", Spool: full, OutOf: "belt", Plate: plate(10, 1, "Tail, tip", 1)}, nil, false},
		{"nobody home", web.Hours{Answered: true, Home: "daily 07:00-18:00"}, web.Printer{Name: "Bittern", Spool: full, Plate: plate(10, 1, "Tail, tip", 1)}, nil, false},
		{"spool nearly empty", home, web.Printer{Name: "Bittern", Spool: web.Spool{Material: "PETG", Grams: 300}, Plate: plate(10, 1, "Tail, tip", 1)}, nil, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := web.View{At: at, Hours: c.hours, Printers: []web.Printer{c.printer}, Jobs: jobs}
			acts := NewPerson(1, first()).Acts(v)
			if again := NewPerson(1, first()).Acts(v); !reflect.DeepEqual(acts, again) {
				t.Errorf("decided %+v, then %+v", acts, again)
			}
			if c.cleared == nil && !c.fit {
				if len(acts) != 0 {
					t.Errorf("does %+v", acts)
				}
				return
			}
			if len(acts) != 1 || acts[0].Printer != c.printer.Name || acts[0].RunID != c.printer.Plate.RunID || !reflect.DeepEqual(acts[0].Cleared, c.cleared) || (acts[0].Fit != nil) != c.fit {
				t.Fatalf("does %+v", acts)
			}
			if wait := acts[0].Due.Sub(c.printer.Plate.Since); wait < 0 || wait > 70*time.Minute || c.printer.Plate.RunID == 0 && wait != 0 {
				t.Errorf("comes after %v", wait)
			}
		})
	}
}

// TestPersonIsNoClock: over many runs the person mostly comes soon, now and then
// late, and another seed is another person.
func TestPersonIsNoClock(t *testing.T) {
	p, q := NewPerson(1, first()), NewPerson(2, first())
	late, same := 0, 0
	for run := int64(1); run <= 1000; run++ {
		w := &web.Printer{Plate: web.Plate{RunID: run}}
		d := p.walk(w)
		if d >= 30*time.Minute {
			late++
		}
		if d == q.walk(w) {
			same++
		}
	}
	if late < 80 || late > 180 || same > 300 {
		t.Errorf("late %d times of 1000, the same as another person %d times", late, same)
	}
}

// TestMishapsAreInTheBuild: every mishap names a part, and a printer that can
// print it.
func TestMishapsAreInTheBuild(t *testing.T) {
	b := New(3)
	for _, m := range b.Mishaps {
		p := part(t, m.Part)
		ok := m.Printer == ""
		for _, v := range b.Printers {
			ok = ok || v.Name == m.Printer && v.Kind == p.Kind && v.NozzleMM == p.NozzleMM && v.Material == p.Material && v.Surface == p.Surface
		}
		if !ok || m.What == BadYield && (m.Good >= p.Pieces || m.BadFromMM <= 0 || m.BadFromMM >= p.SizeMM[2]) {
			t.Errorf("%+v cannot happen to %+v", m, p)
		}
	}
}

// TestEveryPartHasAPrinter: each part suits a printer that is fitted for it, and
// lies on its bed clear of the prime line at the front edge.
func TestEveryPartHasAPrinter(t *testing.T) {
	names := map[string]bool{}
	for seed := range uint64(8) {
		b := New(seed)
		for _, p := range b.Parts {
			found := false
			for _, v := range b.Printers {
				found = found || v.Kind == p.Kind && v.NozzleMM == p.NozzleMM && v.Material == p.Material && v.Surface == p.Surface
			}
			if !found {
				t.Errorf("seed %d: nothing in the cellar can print %s", seed, p.Name)
			}
			if seed == 0 && (names[p.Name] || names[p.File]) {
				t.Errorf("%s is there twice", p.Name)
			}
			names[p.Name], names[p.File] = true, true
			bed := p.recipe.bedMM
			at := p.recipe.places
			if at == nil {
				at = []point{{}}
			}
			for _, c := range at {
				if 2*(abs(c.x))+p.SizeMM[0] > bed[0]-12 || 2*abs(c.y)+p.SizeMM[1] > bed[1]-24 || p.SizeMM[2] > bed[2]-5 {
					t.Errorf("seed %d: %s, %v mm, does not lie well on %v", seed, p.Name, p.SizeMM, bed)
				}
			}
		}
	}
}

func abs(v float64) float64 {
	if v < 0 {
		return -v
	}
	return v
}

// TestPersonRestartsWhatFaulted: a faulted printer is switched off and on before
// anything else is said of it, and not before the person can be there.
func TestPersonRestartsWhatFaulted(t *testing.T) {
	at := time.Date(2026, time.November, 30, 9, 0, 0, 0, time.UTC)
	v := web.View{At: at, Printers: []web.Printer{{
		Name: "Curlew", Phase: "faulted", PhaseSince: at, Plate: web.Plate{State: "occupied", Question: "?", RunID: 7},
	}}}
	acts := NewPerson(1, first()).Acts(v)
	if len(acts) != 1 || !acts[0].Restart || acts[0].Cleared != nil || !acts[0].Due.After(at) {
		t.Errorf("the person does %+v", acts)
	}
}

func TestPersonLooksAtAFirstLayer(t *testing.T) {
	at := time.Date(2026, time.November, 30, 9, 0, 0, 0, time.UTC)
	v := web.View{At: at, Printers: []web.Printer{{
		Name: "Curlew", Phase: "printing", Run: &web.Run{ID: 7, Eyes: "asked", EyesAt: &at}, Plate: web.Plate{State: "occupied", RunID: 7},
	}}}
	acts := NewPerson(1, first()).Acts(v)
	if len(acts) != 1 || !acts[0].Look || acts[0].Cleared != nil || !acts[0].Due.After(at) {
		t.Errorf("the person does %+v", acts)
	}
	v.Printers[0].Run.Eyes = "good"
	if acts := NewPerson(1, first()).Acts(v); len(acts) != 0 {
		t.Errorf("the person does %+v", acts)
	}
}
