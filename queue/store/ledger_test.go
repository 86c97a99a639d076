package store

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"testing/fstest"

	"undercroft/fleet"
	"undercroft/queue"
)

// firstSchema is a database as the first version of the program left it.
func firstSchema(t *testing.T, dir string) *sql.DB {
	t.Helper()
	w, err := sql.Open("sqlite", dsn(filepath.Join(dir, databaseName), "journal_mode(WAL)", "foreign_keys(1)"))
	if err != nil {
		t.Fatal(err)
	}
	first, err := migrationFiles.ReadFile("migrations/0001_house.sql")
	if err != nil {
		t.Fatal(err)
	}
	if err := migrate(ctx, w, fstest.MapFS{"migrations/0001_house.sql": {Data: first}}, dir, t0); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Exec(`INSERT INTO files (sha256, added_at, summary, layers) VALUES ('abcd', 0, '{"sha256":"abcd","name":"wing.gcode","estimate_s":3600,"mass_g":20}', x'')`); err != nil {
		t.Fatal(err)
	}
	return w
}

// oldJob adds a job of the first schema with one run, whose good pieces are
// counted unless good is below 0.
func oldJob(t *testing.T, w *sql.DB, part, assembly, state string, pieces, good int) {
	t.Helper()
	res, err := w.Exec(`INSERT INTO jobs (state, sha256, file_name, part, assembly, kind, nozzle_mm, material, surface, pieces, clears, added_at, changed_at, good) VALUES (?,'abcd','wing.gcode',?,?,'fen',0.4,'PLA','',?,0,5,5,?)`, state, part, assembly, pieces, max(good, 0))
	if err != nil {
		t.Fatal(err)
	}
	if state == "queued" || state == "cancelled" {
		return
	}
	id, _ := res.LastInsertId()
	var counted any
	if good >= 0 {
		counted = good
	}
	if res, err = w.Exec(`INSERT INTO runs (job_id, printer, try, result, started_at, ended_at, estimate_s, nozzle_mm, material, colour, surface, good) VALUES (?,'Bittern',1,'finished',5,6,3600,0.4,'PLA','','',?)`, id, counted); err != nil {
		t.Fatal(err)
	}
	run, _ := res.LastInsertId()
	if _, err := w.Exec(`UPDATE jobs SET run_id = ?, runs = 1 WHERE id = ?`, run, id); err != nil {
		t.Fatal(err)
	}
}

// What jobs said in words becomes parts, prints and pieces; nothing is lost.
func TestOldJobsBecomePartsAndPieces(t *testing.T) {
	dir := t.TempDir()
	w := firstSchema(t, dir)
	oldJob(t, w, "rib 1 of 3", "Left wing", "done", 4, 4)
	oldJob(t, w, "rib 2 of 3", "Left wing", "needs-decision", 4, 3)
	oldJob(t, w, "rib 3 of 3", "Left wing", "queued", 4, 0)
	oldJob(t, w, "rib", "Right wing", "awaits-yield", 2, -1)
	oldJob(t, w, "Out of 7", "", "cancelled", 1, 0)
	oldJob(t, w, "9 of 9", "", "done", 1, 1)
	oldJob(t, w, "Rib 4 of ", "", "queued", 1, 0)
	w.Close()
	s, _ := open(t, dir)
	defer s.Close()
	jobs, err := s.Jobs(ctx)
	if err != nil || len(jobs) != 7 {
		t.Fatalf("%d jobs of 7 are left, %v", len(jobs), err)
	}
	if j := jobs[1]; j.Part != "rib 2 of 3" || j.Good != 3 || j.Pieces != 4 || j.BuildID != queue.LooseBuild || j.Yields[0].Part != "rib" || j.Yields[0].Count != 4 || j.PrintID != jobs[0].PrintID || j.File.MassG != 20 {
		t.Errorf("%+v", j)
	}
	l, err := s.Ledger(ctx, queue.LooseBuild)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range l.Parts {
		got = append(got, fmt.Sprintf("%s/%s %d", p.Assembly, p.Name, p.Wanted))
	}
	want := []string{"Left wing/rib 12", "Right wing/rib 2", "/Out of 7 0", "/9 of 9 1", "/Rib 4 of  1"}
	if !slices.Equal(got, want) {
		t.Errorf("parts:\n%q, want\n%q", got, want)
	}
	tally, err := s.Tally(ctx)
	if err != nil || tally.PiecesDone != 8 || tally.PiecesWanted != 16 {
		t.Errorf("%+v, %v", tally, err)
	}
	// The next run of the third job takes the numbers that follow.
	clear(t, s, "Merel")
	st := start(t, s, jobs[2].ID, "Merel")
	if p := st.Facts.Plate.Pieces; len(p) != 4 || p[0].Label.String() != "rib, 8 of 12 (Left wing)" || p[3].Number != 11 {
		t.Errorf("%+v", p)
	}
}

// A piece's number is free again when it failed, and when it was found bad later.
func TestANumberIsHeldByOnePieceAtATime(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	jobs := add(t, s, 3, 2)
	part := jobs[0].Yields[0].PartID
	numbers := func(run int64) (out []int) {
		t.Helper()
		list, err := s.Pieces(ctx, run)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range list {
			out = append(out, c.Number)
		}
		return out
	}
	finish := func(st Started, y Yield) {
		t.Helper()
		if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished, EndedAt: t0}, To: queue.AwaitsYield}); err != nil {
			t.Fatal(err)
		}
		if _, err := s.Cleared(ctx, st.Run.Printer, true, "", y); err != nil {
			t.Fatal(err)
		}
	}
	clear(t, s, "Bittern")
	clear(t, s, "Merel")
	a, b := start(t, s, jobs[0].ID, "Bittern"), start(t, s, jobs[1].ID, "Merel")
	if n := numbers(a.Run.ID); !slices.Equal(n, []int{1, 2}) {
		t.Errorf("the first run makes %v", n)
	}
	if n := numbers(b.Run.ID); !slices.Equal(n, []int{3, 4}) {
		t.Errorf("the second run makes %v", n)
	}
	finish(a, Yield{Bad: []int{1}})
	finish(b, Yield{})
	if _, err := s.Reopen(ctx, part, 4, "", "it does not meet the rib"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Reopen(ctx, part, 4, "", "again"); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("one piece was reopened twice: %v", err)
	}
	c := start(t, s, jobs[2].ID, "Bittern")
	if n := numbers(c.Run.ID); !slices.Equal(n, []int{1, 4}) {
		t.Errorf("the third run makes %v; 1 failed and 4 was reopened", n)
	}
	if _, err := s.NotStarted(ctx, c.Run, "the port was gone", false); err != nil {
		t.Fatal(err)
	}
	if n := numbers(c.Run.ID); n != nil {
		t.Errorf("a run that never began holds %v", n)
	}
	if tally, err := s.Tally(ctx); err != nil || tally.PiecesDone != 2 || tally.PiecesWanted != 6 {
		t.Errorf("%+v, %v", tally, err)
	}
}

// A file without an assembly makes the part of that name that the build has.
func TestAFileFindsItsPartInTheBuild(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	two := 2
	lines := []PartLine{{Assembly: "Left wing", Part: "Rib", PartChange: PartChange{Wanted: &two}}, {Assembly: "Legs", Part: "Foot"}, {Assembly: "Left wing", Part: "Tip"}, {Assembly: "Right wing", Part: "Tip"}}
	if _, err := s.PutParts(ctx, "Heron", nil, lines); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		job  queue.Job
		want string
	}{
		{queue.Job{Part: "rib"}, "Left wing/Rib"},
		{queue.Job{Part: "Rib", Assembly: "Right wing"}, "Right wing/Rib"},
		{queue.Job{Part: "plate", Assembly: "Left wing", Yields: []queue.Yield{{Part: "Tip", Count: 1}, {Part: "Foot", Count: 2}}}, "Left wing/Tip, Legs/Foot"},
		{queue.Job{Part: "Tip"}, "/Tip"}, // two have that name: it is neither
		{queue.Job{Part: "Crest"}, "/Crest"},
	} {
		c.job.State, c.job.Build, c.job.FileName, c.job.Kind, c.job.Material = queue.Queued, "heron", "x.gcode", "fen", "PLA"
		made, err := s.Add(ctx, wing, wingLayers, []queue.Job{c.job})
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for i, y := range made[0].Yields {
			if i > 0 {
				got += ", "
			}
			got += y.Assembly + "/" + y.Part
		}
		if got != c.want {
			t.Errorf("%s makes %s, want %s", c.job.Part, got, c.want)
		}
	}
}
