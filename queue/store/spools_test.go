package store

import (
	"database/sql"
	"errors"
	"math"
	"path/filepath"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
)

func grams(v float64) *float64 { return &v }

// pla is a metre's mass of 1.75 mm PLA: 2.405 cm³ of 1.24 g/cm³ (geometry, and a
// density of common practice).
const plaGPerM = 2.405281875 * 1.24

func reel(t *testing.T, s *Store, number int, g float64) queue.Spool {
	t.Helper()
	r, err := s.AddSpool(ctx, queue.Spool{Number: number, Material: "PLA", Colour: "white", DiameterMM: 1.75, DensityGCM3: 1.24, TareG: grams(210), Grams: grams(g)})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func left(t *testing.T, s *Store, number int) float64 {
	t.Helper()
	r, _, err := s.SpoolHistory(ctx, number)
	if err != nil || r.Grams == nil {
		t.Fatalf("reel %d: %v, %v", number, r.Grams, err)
	}
	return *r.Grams
}

func end(t *testing.T, s *Store, st Started, result fleet.Result, mm float64) Started {
	t.Helper()
	to := queue.NeedsDecision
	if result == fleet.Finished {
		to = queue.AwaitsYield
	}
	out, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: result, Cause: "x", EndedAt: t0.Add(time.Hour), FilamentMM: mm}, To: to})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-6 {
		t.Errorf("%s: %.6f g, want %.6f", what, got, want)
	}
}

func TestARunDrawsFromEachReelWhatItsPartOfTheFilamentWeighs(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	reel(t, s, 7, 100)
	if r := reel(t, s, 0, 800); r.Number != 8 {
		t.Errorf("the next free number is %d, want 8", r.Number)
	}
	if _, err := s.Load(ctx, "Bittern", 7, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddSpool(ctx, queue.Spool{Number: 7, Material: "PLA"}); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("a number twice: %v", err)
	}
	if err := s.Retire(ctx, 7); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("a loaded reel was retired: %v", err)
	}
	st := start(t, s, job, "Bittern")
	if _, err := s.Load(ctx, "Bittern", 8, 2000); err != nil { // 2 m in, another reel
		t.Fatal(err)
	}
	out := end(t, s, st, fleet.Failed, 5000)
	near(t, "the run", out.Run.Grams, 5*plaGPerM)
	near(t, "reel 7", left(t, s, 7), 100-2*plaGPerM)
	near(t, "reel 8", left(t, s, 8), 800-3*plaGPerM)
	if f := out.Facts.Spool; f.Number != 8 {
		t.Errorf("loaded is %+v", f)
	}
	parts, err := s.RunSpools(ctx, st.Run.ID)
	if err != nil || len(parts) != 2 || parts[0].Spool.Number != 7 || parts[1].FromMM != 2000 {
		t.Errorf("parts %+v, %v", parts, err)
	}
}

func TestAWeighingHoldsWhatTheRunHasDrawnSoFar(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	reel(t, s, 7, 500)
	if _, err := s.Load(ctx, "Bittern", 7, 0); err != nil {
		t.Fatal(err)
	}
	st := start(t, s, job, "Bittern")
	// 4 m in, the reel as it is weighs 690 g: 480 g without its 210.
	if r, err := s.Weigh(ctx, 7, Weighing{GrossG: grams(690), RunMM: 4000}); err != nil || *r.Grams != 480 {
		t.Fatalf("%+v, %v", r, err)
	}
	out := end(t, s, st, fleet.Finished, 6000)
	near(t, "the run", out.Run.Grams, 6*plaGPerM)
	near(t, "reel 7", left(t, s, 7), 480-2*plaGPerM)
	_, history, err := s.SpoolHistory(ctx, 7)
	if err != nil || len(history) != 4 || history[1].What != "weighed" || *history[1].GrossG != 690 || history[1].ChangeG != -20 || history[0].What != "drawn" || history[0].RunID != st.Run.ID {
		t.Errorf("%+v, %v", history, err)
	}
	if _, err := s.Weigh(ctx, 7, Weighing{GrossG: grams(200)}); !errors.Is(err, queue.ErrInvalid) {
		t.Errorf("lighter than the empty reel: %v", err)
	}
	if _, err := s.Weigh(ctx, 9, Weighing{NetG: grams(200)}); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("no such reel: %v", err)
	}
}

func TestAReelIsInOnePlaceAndOneWithoutANumberGoesWhenItIsTakenOff(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	clear(t, s, "Bittern")
	clear(t, s, "Curlew")
	reel(t, s, 7, 500)
	fit := func(name string, change func(*queue.Facts)) queue.Facts {
		f, err := s.Fit(ctx, name, 0, func(f *queue.Facts) error { change(f); return nil })
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	f := fit("Bittern", func(f *queue.Facts) { f.Spool = queue.Spool{Material: "PETG", Grams: grams(300)} })
	if f.Spool.Number != 0 || f.Spool.ID == 0 || f.Changed != "another sheet, another reel" {
		t.Errorf("%+v", f)
	}
	if f = fit("Bittern", func(f *queue.Facts) { f.Spool.Grams = grams(250) }); *f.Spool.Grams != 250 {
		t.Errorf("%+v", f.Spool)
	}
	f, err := s.Load(ctx, "Bittern", 7, 0)
	if err != nil || f.Spool.Number != 7 {
		t.Fatalf("%+v, %v", f, err)
	}
	if _, err := s.Load(ctx, "Curlew", 7, 0); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("one reel on two printers: %v", err)
	}
	all, err := s.Spools(ctx, true)
	if err != nil || len(all) != 2 || all[1].Number != 0 || all[1].RetiredAt.IsZero() {
		t.Errorf("%+v, %v", all, err)
	}
	if f = fit("Bittern", func(f *queue.Facts) { f.Spool = queue.Spool{} }); f.Spool.ID != 0 {
		t.Errorf("still loaded: %+v", f.Spool)
	}
	if err := s.Retire(ctx, 7); err != nil {
		t.Error(err)
	}
	if _, err := s.Load(ctx, "Bittern", 7, 0); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("a retired reel was loaded: %v", err)
	}
}

// What stood on a printer before there were reels is a reel without a number now.
func TestWhatWasLoadedBeforeThereWereReelsIsStillLoaded(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite", dsn(filepath.Join(dir, databaseName), "journal_mode(WAL)"))
	if err != nil {
		t.Fatal(err)
	}
	if err := step(ctx, db, migrationFiles, "migrations/0001_house.sql", 1); err != nil { // as the first version left it
		t.Fatal(err)
	}
	if _, err := db.Exec(`INSERT INTO printers (name, material, colour, grams, plate_since) VALUES ('Bittern','PETG','clear',412,0), ('Curlew','',  '',NULL,0)`); err != nil {
		t.Fatal(err)
	}
	db.Close()
	s, _ := open(t, dir)
	defer s.Close()
	f, err := s.Printers(ctx, []string{"Bittern", "Curlew"})
	if err != nil || f["Bittern"].Spool.Material != "PETG" || f["Bittern"].Spool.Colour != "clear" || *f["Bittern"].Spool.Grams != 412 || f["Curlew"].Spool.ID != 0 {
		t.Errorf("%+v, %v", f, err)
	}
}

func TestSomebodyLooksAtAFilesFirstRunAndAfterAChange(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	jobs := add(t, s, 5, 1)
	clear(t, s, "Bittern")
	next := 0
	begin := func() Started {
		t.Helper()
		st := start(t, s, jobs[next].ID, "Bittern")
		next++
		return st
	}
	finish := func(st Started) {
		t.Helper()
		end(t, s, st, fleet.Finished, 6000)
		if _, err := s.Cleared(ctx, "Bittern", true, "", Yield{}); err != nil {
			t.Fatal(err)
		}
	}
	want := func(st Started, eyes queue.Eyes, why string) {
		t.Helper()
		if st.Run.Eyes != eyes || st.Run.EyesWhy != why {
			t.Errorf("run %d: eyes %q because %q, want %q because %q", st.Run.ID, st.Run.Eyes, st.Run.EyesWhy, eyes, why)
		}
	}
	st := begin()
	want(st, queue.EyesWanted, "the file's first run, the first since another sheet")
	if _, _, err := s.SetEyes(ctx, st.Run.ID, queue.EyesAsked); err != nil {
		t.Fatal(err)
	}
	if r, f, err := s.SetEyes(ctx, st.Run.ID, queue.EyesGood); err != nil || r.Eyes != queue.EyesGood || r.EyesAt.IsZero() || f.Changed != "" {
		t.Errorf("%+v %+v %v", r, f, err)
	}
	if _, _, err := s.SetEyes(ctx, st.Run.ID, queue.EyesStop); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("answered twice: %v", err)
	}
	finish(st)
	st = begin()
	want(st, queue.EyesNone, "")
	finish(st)
	for i, change := range []func(*queue.Facts){func(f *queue.Facts) { f.NozzleMM = 0.6 }, func(f *queue.Facts) { f.Spool = queue.Spool{Material: "PLA"} }} {
		if _, err := s.Fit(ctx, "Bittern", 0, func(f *queue.Facts) error { change(f); return nil }); err != nil {
			t.Fatal(err)
		}
		st = begin()
		want(st, queue.EyesWanted, []string{"the first since another nozzle", "the first since another nozzle, another reel"}[i])
		finish(st) // nobody looked
	}
	if err := s.SetSetting(ctx, KeyEyes, "off"); err != nil {
		t.Fatal(err)
	}
	want(begin(), queue.EyesNone, "")
}
