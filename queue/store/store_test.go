package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/gcode/analyze"
	"undercroft/queue"
)

var ctx = context.Background()

// t0 is an evening in the weeks before the winter parade.
var t0 = time.Date(2026, 11, 24, 18, 0, 0, 0, time.UTC)

func open(t *testing.T, dir string) (*Store, *Recovery) {
	t.Helper()
	now := t0
	s, rec, err := Open(ctx, dir, Options{Now: func() time.Time { now = now.Add(time.Second); return now }})
	if err != nil {
		t.Fatal(err)
	}
	return s, rec
}

var wing = &queue.File{SHA256: strings.Repeat("ab", 32), Name: "wing.gcode", EstimateS: 3600, HeightMM: 0.6, MassG: 20, FilamentMM: 6000, FilamentGPMM: 20.0 / 6000}

var wingLayers = []analyze.Layer{
	{TopMM: 0.2, ThicknessMM: 0.2, Line: 10, EndLine: 20, EndS: 60, FilamentMM: 100, Box: analyze.Box{Min: [3]float64{1, 2, 0}, Max: [3]float64{9, 8, 0.2}}},
	{TopMM: 0.4, ThicknessMM: 0.2, Line: 21, EndLine: 30, StartS: 60, EndS: 90, FilamentMM: 50, Box: analyze.Box{Empty: true}},
	{TopMM: 0.6, ThicknessMM: 0.2, Line: 31, EndLine: 40, StartS: 90, EndS: 120, FilamentMM: 50, Offset: 1 << 40, EndOffset: 1<<40 + 5},
}

func add(t *testing.T, s *Store, n, pieces int) []queue.Job {
	t.Helper()
	jobs := make([]queue.Job, n)
	for i := range jobs {
		jobs[i] = queue.Job{State: queue.Queued, FileName: "wing.gcode", Part: "wing", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: pieces}
	}
	jobs, err := s.Add(ctx, wing, wingLayers, jobs)
	if err != nil {
		t.Fatal(err)
	}
	return jobs
}

// clear makes a printer's plate clear by a person's answer.
func clear(t *testing.T, s *Store, name string) {
	t.Helper()
	if _, err := s.Printers(ctx, []string{name}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Cleared(ctx, name, true, "textured", Yield{}); err != nil {
		t.Fatal(err)
	}
}

func start(t *testing.T, s *Store, job int64, name string) Started {
	t.Helper()
	st, err := s.StartRun(ctx, job, name)
	if err != nil {
		t.Fatal(err)
	}
	return st
}

func TestAJobsLifeIsRecordedWhole(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	jobs := add(t, s, 1, 4)
	clear(t, s, "Bittern")
	grams := 500.0
	if _, err := s.Fit(ctx, "Bittern", 0, func(f *queue.Facts) error {
		f.Spool = queue.Spool{Material: "PLA", Colour: "white", Grams: &grams}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	st := start(t, s, jobs[0].ID, "Bittern")
	if st.Job.State != queue.Running || st.Facts.Plate.State != queue.PlateOccupied || st.Facts.Plate.RunID != st.Run.ID || st.Run.Colour != "white" {
		t.Fatalf("after the start: %+v", st)
	}
	if _, err := s.Cleared(ctx, "Bittern", true, "", Yield{}); !errors.Is(err, queue.ErrConflict) {
		t.Fatalf("a plate was cleared under a run: %v", err)
	}
	end := End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished, EndedAt: t0.Add(time.Hour), LayersDone: 3, CompletedMM: 0.6}, To: queue.AwaitsYield}
	st, err := s.EndRun(ctx, end)
	if err != nil {
		t.Fatal(err)
	}
	if st.Job.State != queue.AwaitsYield || *st.Facts.Spool.Grams != 480 || st.Facts.Plate.Person {
		t.Fatalf("after the end: %+v", st)
	}
	if _, err := s.EndRun(ctx, end); !errors.Is(err, queue.ErrConflict) {
		t.Fatalf("one outcome was recorded twice: %v", err)
	}
	three, bad := 3, 0.3
	c, err := s.Cleared(ctx, "Bittern", true, "smooth", Yield{Good: &three, BadFromMM: &bad})
	if err != nil {
		t.Fatal(err)
	}
	if c.Jobs[0].State != queue.NeedsDecision || c.Facts.Plate.State != queue.PlateClear || c.Facts.Plate.Surface != "smooth" {
		t.Fatalf("after clearing: %+v", c)
	}
	m, err := s.Mishaps(ctx, false)
	if err != nil || len(m) != 1 || m[0].Result != "bad-yield" || m[0].CompletedMM != 0.3 || *m[0].BadFromMM != 0.3 || m[0].Text != "3 of 4 pieces are good, bad from 0.30 mm" {
		t.Fatalf("mishaps: %+v, %v", m, err)
	}
	j, err := s.Decide(ctx, jobs[0].ID, true)
	if err != nil || j.State != queue.Queued || j.Printer != "" || j.Good != 3 {
		t.Fatalf("again: %+v, %v", j, err)
	}
	start(t, s, j.ID, "Bittern")
	if tally, err := s.Tally(ctx); err != nil || tally.PiecesDone != 3 || tally.PiecesWanted != 4 || tally.GramsUsed != 20 || tally.HoursDone < 0.9 {
		t.Fatalf("tally: %+v, %v", tally, err)
	}
}

func TestTheDatabaseItselfRefusesTwoRuns(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	jobs := add(t, s, 2, 1)
	clear(t, s, "Bittern")
	clear(t, s, "Curlew")
	start(t, s, jobs[0].ID, "Bittern")
	if _, err := s.StartRun(ctx, jobs[0].ID, "Curlew"); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("one job on two printers: %v", err)
	}
	if _, err := s.StartRun(ctx, jobs[1].ID, "Bittern"); err == nil {
		t.Error("two jobs on one plate")
	}
	// Even when a mistake in the program had set plate and job back.
	if _, err := s.w.Exec(`UPDATE printers SET plate_state = 'clear'; UPDATE jobs SET state = 'queued'`); err != nil {
		t.Fatal(err)
	}
	if _, err := s.StartRun(ctx, jobs[1].ID, "Bittern"); err == nil {
		t.Error("the index let a second run on one printer through")
	}
	if _, err := s.StartRun(ctx, jobs[0].ID, "Curlew"); err == nil {
		t.Error("the index let a second run of one job through")
	}
}

func TestNothingStartsOnAPlateThatIsNotClear(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	for _, state := range []queue.PlateState{queue.PlateUnknown, queue.PlateOff, queue.PlateOccupied} {
		clear(t, s, "Bittern")
		if _, err := s.SetPlate(ctx, "Bittern", state, ""); err != nil {
			t.Fatal(err)
		}
		if _, err := s.StartRun(ctx, job, "Bittern"); !errors.Is(err, queue.ErrConflict) {
			t.Errorf("plate %s: %v", state, err)
		}
	}
	clear(t, s, "Bittern")
	if _, err := s.SetLent(ctx, "Bittern", true); err != nil {
		t.Fatal(err)
	}
	if _, err := s.StartRun(ctx, job, "Bittern"); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("lent: %v", err)
	}
	if f, err := s.SetLent(ctx, "Bittern", false); err != nil || f.Plate.State != queue.PlateUnknown || !f.Plate.Person {
		t.Errorf("taken back: %+v, %v", f.Plate, err)
	}
	if j, err := s.Job(ctx, job); err != nil || j.State != queue.Queued || j.Runs != 0 {
		t.Errorf("a refused start left a trace: %+v, %v", j, err)
	}
}

func TestARefusedStartIsTakenBackWhole(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	st := start(t, s, job, "Bittern")
	st, err := s.NotStarted(ctx, st.Run, "Bittern was not ready", false)
	if err != nil || st.Job.State != queue.Queued || st.Job.Runs != 0 || st.Facts.Plate.State != queue.PlateClear || st.Run.Result != "not-started" {
		t.Fatalf("%+v, %v", st, err)
	}
	start(t, s, job, "Bittern")
}

func TestAJournalIsDurableAfterFlush(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	defer s.Close()
	for i := range 300 {
		s.Journal().Append(fleet.LayerRecord{RunID: 7, Index: i, TopMM: 0.2 * float64(i+1), Line: int64(i), At: t0})
	}
	if err := s.Journal().Flush(ctx); err != nil {
		t.Fatal(err)
	}
	recs, err := s.LayerRecords(ctx, 7)
	if err != nil || len(recs) != 300 || recs[299].Index != 299 {
		t.Fatalf("%d records, %v", len(recs), err)
	}
}

// A disk that does not answer never stops a print: Append returns at once, the
// records wait, Flush says why, and they are written when the disk answers.
func TestAStalledDiskHoldsNobodyUp(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	const limit = 500
	s.Journal().limit = limit
	hold, err := s.w.BeginTx(ctx, nil) // the only writing connection is taken
	if err != nil {
		t.Fatal(err)
	}
	for i := range limit + 10 {
		s.Journal().Append(fleet.LayerRecord{RunID: 1, Index: i, TopMM: float64(i)})
	}
	short, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
	defer cancel()
	if err := s.Journal().Flush(short); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("flush on a stalled disk: %v", err)
	}
	hold.Rollback()
	if err := s.Journal().Flush(ctx); err != nil {
		t.Fatal(err)
	}
	recs, err := s.LayerRecords(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	// What was dropped was the newest: no gap below the recorded height.
	for i, r := range recs {
		if r.Index != i {
			t.Fatalf("record %d has index %d", i, r.Index)
		}
	}
	if _, dropped := s.Journal().Lag(); int(dropped)+len(recs) != limit+10 {
		t.Errorf("%d written, %d dropped", len(recs), dropped)
	}
}

// copyFolder copies a data folder as it lies on the disk, as after kill -9.
func copyFolder(t *testing.T, from string) string {
	t.Helper()
	to := t.TempDir()
	entries, err := os.ReadDir(from)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() {
			continue
		}
		in, err := os.Open(filepath.Join(from, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out, err := os.Create(filepath.Join(to, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(out, in); err != nil {
			t.Fatal(err)
		}
		in.Close()
		if err := out.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

func TestAfterACrashTheOpenRunIsAMishapWithItsHeight(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	defer s.Close()
	jobs := add(t, s, 3, 1)
	clear(t, s, "Bittern")
	clear(t, s, "Curlew")
	clear(t, s, "Dunlin")
	run := start(t, s, jobs[0].ID, "Bittern").Run
	start(t, s, jobs[1].ID, "Curlew") // no layer down yet
	for i := range 2 {
		s.Journal().Append(fleet.LayerRecord{RunID: run.ID, Index: i, TopMM: wingLayers[i].TopMM, Line: wingLayers[i].EndLine, At: t0.Add(time.Duration(i) * time.Minute), FilamentMM: 150, NozzleC: 210, BedC: 60})
	}
	if err := s.Journal().Flush(ctx); err != nil {
		t.Fatal(err)
	}
	after, rec := open(t, copyFolder(t, dir))
	defer after.Close()
	if len(rec.Interrupted) != 2 {
		t.Fatalf("%d runs were interrupted, want 2", len(rec.Interrupted))
	}
	m, err := after.Mishaps(ctx, false)
	if err != nil || len(m) != 2 {
		t.Fatalf("%d mishaps, %v", len(m), err)
	}
	got := m[1] // newest first
	if got.Result != "interrupted" || got.CompletedMM != 0.4 || got.InProgressMM != 0.6 || got.LayersDone != 2 || got.GramsSpent != 0.5 || len(got.Heat) != 2 {
		t.Errorf("mishap: %+v", got)
	}
	if m[0].CompletedMM != 0 || m[0].InProgressMM != 0.2 {
		t.Errorf("mishap before the first layer: %+v", m[0])
	}
	for i, want := range []queue.JobState{queue.NeedsDecision, queue.NeedsDecision, queue.Queued} {
		if j, err := after.Job(ctx, jobs[i].ID); err != nil || j.State != want {
			t.Errorf("job %d is %s, want %s, %v", j.ID, j.State, want, err)
		}
	}
	facts, err := after.Printers(ctx, []string{"Bittern", "Curlew", "Dunlin"})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]queue.PlateState{"Bittern": queue.PlateOccupied, "Curlew": queue.PlateOccupied, "Dunlin": queue.PlateClear} {
		if p := facts[name].Plate; p.State != want || (want == queue.PlateOccupied) != p.Person {
			t.Errorf("%s: plate %+v", name, p)
		}
	}
	again, rec := open(t, copyFolder(t, after.Dir()))
	defer again.Close()
	if len(rec.Interrupted) != 0 {
		t.Errorf("a second start found %d runs to close again", len(rec.Interrupted))
	}
}

func TestACrashInTheClearingRoutineLeavesThePlateToAPerson(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	run := start(t, s, job, "Bittern").Run
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: run.ID, Result: fleet.Finished, EndedAt: t0}, To: queue.AwaitsYield}); err != nil {
		t.Fatal(err)
	}
	if _, f, err := s.StartClearing(ctx, "Bittern"); err != nil || f.ClearingsInRow != 1 {
		t.Fatalf("%+v, %v", f, err)
	}
	after, rec := open(t, copyFolder(t, dir))
	defer after.Close()
	f, err := after.Printers(ctx, []string{"Bittern"})
	if err != nil || rec.Clearings != 1 || f["Bittern"].Plate.State != queue.PlateOccupied || !f["Bittern"].Plate.Person {
		t.Errorf("%+v, %+v, %v", rec, f["Bittern"].Plate, err)
	}
	if _, _, err := after.StartClearing(ctx, "Bittern"); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("the routine was started again: %v", err)
	}
}

func TestAMishapKeepsTheHeatOfItsLastMinutes(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	run := start(t, s, job, "Bittern").Run
	o := fleet.Outcome{RunID: run.ID, Result: fleet.Failed, Cause: "thermal", Text: "the nozzle fell to 150 °C", EndedAt: t0, Line: 33, LayersDone: 1, CompletedMM: 0.2, InProgressMM: 0.4,
		Heat: []fleet.HeatSample{{At: t0, Heaters: []link.Heater{{Name: "T0", ActualC: 150.5, TargetC: 210}}}}}
	if _, err := s.EndRun(ctx, End{Outcome: o, To: queue.NeedsDecision, Note: o.Text}); err != nil {
		t.Fatal(err)
	}
	m, err := s.Mishaps(ctx, false)
	if err != nil || len(m) != 1 || m[0].Heat[0].Heaters[0] != (queue.Heat{Name: "T0", ActualC: 150.5, TargetC: 210}) || m[0].Line != 33 || m[0].HeightMM != 0.6 {
		t.Fatalf("%+v, %v", m, err)
	}
	if _, err := s.Decide(ctx, job, false); err != nil {
		t.Fatal(err)
	}
	if m, err := s.Mishaps(ctx, true); err != nil || m[0].Decided != "given-up" {
		t.Fatalf("%+v, %v", m, err)
	}
}

func TestTwoDaemonsOnOneFolderAreRefused(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	if _, _, err := Open(ctx, dir, Options{}); !errors.Is(err, queue.ErrUnavailable) || !strings.Contains(err.Error(), "another daemon") {
		t.Errorf("a second daemon: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	s.Close()
}

func TestAnUploadThatACrashCutShortIsSweptAway(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	f, err := s.Incoming()
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	s.Close()
	s, _ = open(t, dir)
	defer s.Close()
	if _, err := os.Stat(f.Name()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it is still there: %v", err)
	}
}

func TestADatabaseFromANewerVersionIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	if _, err := s.w.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	s.Close()
	_, _, err := Open(ctx, dir, Options{})
	if !errors.Is(err, queue.ErrUnavailable) || !strings.Contains(err.Error(), "schema 99") {
		t.Errorf("%v", err)
	}
}

func TestASchemaIsChangedStepByStepWithABackupBeforeEach(t *testing.T) {
	dir := t.TempDir()
	w := firstSchema(t, dir)
	defer w.Close()
	oldJob(t, w, "wing", "", "queued", 1, 0)
	oldJob(t, w, "wing", "", "queued", 1, 0)
	first, err := migrationFiles.ReadFile("migrations/0001_house.sql")
	if err != nil {
		t.Fatal(err)
	}
	steps := fstest.MapFS{
		"migrations/0001_house.sql": {Data: first},
		"migrations/0002_good.sql":  {Data: []byte("ALTER TABLE jobs ADD COLUMN due INTEGER;")},
		"migrations/0003_bad.sql":   {Data: []byte("ALTER TABLE jobs ADD COLUMN colour TEXT; ALTER TABLE reeds ADD COLUMN x TEXT;")},
	}
	if err := migrate(ctx, w, steps, dir, t0); err == nil || !strings.Contains(err.Error(), "0003_bad.sql") {
		t.Errorf("a step that cannot be taken: %v", err)
	}
	var version, due, colour int
	row := w.QueryRow(`SELECT (SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM pragma_table_info('jobs') WHERE name = 'due'), (SELECT count(*) FROM pragma_table_info('jobs') WHERE name = 'colour')`)
	if err := row.Scan(&version, &due, &colour); err != nil || version != 2 || due != 1 || colour != 0 {
		t.Errorf("schema %d, due %d, colour %d, %v: the good step is to stay, the bad one to leave nothing", version, due, colour, err)
	}
	for v := 1; v <= 2; v++ {
		backup, err := sql.Open("sqlite", filepath.Join(dir, fmt.Sprintf("backup-schema-%d-20261124-180000.db", v)))
		if err != nil {
			t.Fatal(err)
		}
		var jobs, was int
		if err := backup.QueryRow(`SELECT (SELECT count(*) FROM jobs), (SELECT user_version FROM pragma_user_version)`).Scan(&jobs, &was); err != nil || jobs != 2 || was != v {
			t.Errorf("the backup before schema %d has %d jobs at schema %d, %v", v+1, jobs, was, err)
		}
		backup.Close()
	}
}

// A full disk, played by a bound on the database's pages: what cannot be written
// is not half there, and the error says what to do.
func TestAFullDiskSaysSo(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	job := add(t, s, 1, 1)[0].ID
	clear(t, s, "Bittern")
	if _, err := s.w.Exec("PRAGMA max_page_count = 1"); err != nil { // no more than there are
		t.Fatal(err)
	}
	long := *wing
	long.SHA256 = strings.Repeat("cd", 32)
	_, err := s.Add(ctx, &long, make([]analyze.Layer, 2000), []queue.Job{{State: queue.Queued, FileName: "neck.gcode", Part: "neck", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}})
	if !errors.Is(err, queue.ErrUnavailable) || !strings.Contains(err.Error(), "storing wing.gcode: the disk of the data folder is full; make room") {
		t.Errorf("got %v", err)
	}
	if _, err := s.File(ctx, long.SHA256); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("half of it was stored: %v", err)
	}
	if jobs, err := s.Jobs(ctx); err != nil || len(jobs) != 1 || jobs[0].ID != job {
		t.Errorf("%+v, %v", jobs, err)
	}
	for i := range 5000 {
		s.Journal().Append(fleet.LayerRecord{RunID: 3, Index: i})
	}
	short, cancel := context.WithTimeout(ctx, 300*time.Millisecond)
	defer cancel()
	if err := s.Journal().Flush(short); !errors.Is(err, queue.ErrUnavailable) {
		t.Errorf("flush on a full disk: %v", err)
	}
	if _, err := s.w.Exec("PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	if err := s.Journal().Flush(ctx); err != nil {
		t.Errorf("after room was made: %v", err)
	}
	if recs, err := s.LayerRecords(ctx, 3); err != nil || len(recs) != 5000 {
		t.Errorf("%d records, %v", len(recs), err)
	}
}

func TestPragmasReachEveryConnection(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	check := func(db *sql.DB, pragma string, want string) {
		t.Helper()
		var got string
		if err := db.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %q, want %q, %v", pragma, got, want, err)
		}
	}
	check(s.w, "journal_mode", "wal")
	check(s.w, "synchronous", "2") // FULL
	check(s.w, "foreign_keys", "1")
	check(s.r, "query_only", "1")
	if _, err := s.r.Exec("DELETE FROM jobs"); err == nil {
		t.Error("the read pool can write")
	}
}

func TestLayersSurviveTheirPacking(t *testing.T) {
	want := append([]analyze.Layer(nil), wingLayers...)
	for i := range want {
		want[i].Start = analyze.State{Pos: [3]float64{1, -2, 0.2 * float64(i)}, Shift: [3]float64{0, 3, 0}, E: 4.5, Known: true,
			Inches: i%2 == 1, Relative: i%3 == 1, RelativeE: true, EByG91: i%2 == 0, Volumetric: i == 0, Plane: 17 + i%3, Motion: i%4 - 1, Tool: i % 64}
	}
	got, err := unpackLayers(packLayers(want))
	if err != nil || len(got) != len(want) {
		t.Fatal(got, err)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("layer %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	// A table from before states were kept.
	old := make([]byte, 1+2*plainWords*8)
	old[0] = 1
	if got, err := unpackLayers(old); err != nil || len(got) != 2 || got[1].Start.Known {
		t.Errorf("%+v, %v", got, err)
	}
	for _, bad := range [][]byte{nil, {0}, {3}, {1, 0}, {2, 0}} {
		if _, err := unpackLayers(bad); err == nil {
			t.Errorf("%v was unpacked", bad)
		}
	}
}

func TestHoursAreAnsweredOnlyWhenBothAre(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	if h, err := s.Hours(ctx); err != nil || h.Answered {
		t.Errorf("%+v, %v", h, err)
	}
	none, _ := queue.ParseSchedule("none")
	home, _ := queue.ParseSchedule("daily 08:00-23:00")
	if err := s.SetHours(ctx, home, none); err != nil {
		t.Fatal(err)
	}
	if h, err := s.Hours(ctx); err != nil || !h.Answered || h.Home.String() != "daily 08:00-23:00" || h.Cold.String() != "none" {
		t.Errorf("%+v, %v", h, err)
	}
}
