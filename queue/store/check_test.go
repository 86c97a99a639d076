package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
)

// kept is a house with a finished run, a mishap, a run on its way and their file.
func kept(t *testing.T, dir string) *Store {
	t.Helper()
	s, _ := open(t, dir)
	content := []byte("G28\nG1 X1\n")
	sum := sha256.Sum256(content)
	f := *wing
	f.SHA256 = hex.EncodeToString(sum[:])
	path := s.FilePath(f.SHA256)
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o750), os.WriteFile(path, content, 0o640)); err != nil {
		t.Fatal(err)
	}
	jobs := make([]queue.Job, 3)
	for i := range jobs {
		jobs[i] = queue.Job{State: queue.Queued, FileName: "wing.gcode", Part: "wing", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 2}
	}
	jobs, err := s.Add(ctx, &f, wingLayers, jobs)
	if err != nil {
		t.Fatal(err)
	}
	clear(t, s, "Bittern")
	clear(t, s, "Curlew")
	reel(t, s, 7, 500)
	if _, err := s.Load(ctx, "Bittern", 7, 0); err != nil {
		t.Fatal(err)
	}
	st := start(t, s, jobs[0].ID, "Bittern")
	for i := range 3 {
		s.Journal().Append(fleet.LayerRecord{RunID: st.Run.ID, Index: i, TopMM: 0.2 * float64(i+1), Line: int64(i), At: t0})
	}
	if err := s.Journal().Flush(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished, EndedAt: t0.Add(time.Hour), LayersDone: 3, FilamentMM: 6000}, To: queue.AwaitsYield}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Cleared(ctx, "Bittern", true, "", Yield{}); err != nil {
		t.Fatal(err)
	}
	end(t, s, start(t, s, jobs[1].ID, "Bittern"), fleet.Failed, 1000)
	start(t, s, jobs[2].ID, "Curlew")
	return s
}

func TestCheckFindsWhatIsWrongAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	s := kept(t, dir)
	defer s.Close()
	c, err := Check(ctx, dir) // with a daemon at work
	if err != nil || len(c.Faults) != 0 || c.Jobs != 3 || c.Runs != 3 || c.Layers != 3 || c.Files != 1 {
		t.Fatalf("%+v, %v", c, err)
	}
	var sha string
	if err := s.r.QueryRow(`SELECT sha256 FROM files`).Scan(&sha); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ do, undo, want string }{
		{`UPDATE jobs SET good = 1 WHERE id = 1`, `UPDATE jobs SET good = 2 WHERE id = 1`, "jobs: job 1 counts 1 good pieces, its runs 2"},
		{`UPDATE jobs SET runs = 3 WHERE id = 2`, `UPDATE jobs SET runs = 1 WHERE id = 2`, "jobs: job 2 counts 3 tries, and 1 are there"},
		{`UPDATE jobs SET state = 'queued' WHERE id = 3`, `UPDATE jobs SET state = 'running' WHERE id = 3`, "runs: run 3 is open, and job 3 is queued"},
		{`UPDATE mishaps SET decided = 'again'`, `UPDATE mishaps SET decided = ''`, "jobs: job 2 needs a decision, and no mishap asks for one"},
		{`UPDATE runs SET ended_at = started_at - 1 WHERE id = 1`, `UPDATE runs SET ended_at = started_at + 3600000 WHERE id = 1`, "runs: run 1 ended before it began"},
		{`UPDATE layer_records SET idx = 9 WHERE idx = 2`, `UPDATE layer_records SET idx = 2 WHERE idx = 9`, "layers: run 1 says 3 layers, and its records end at 10\nlayers: the layer records of run 1 have a gap"},
		{`INSERT INTO layer_records VALUES (99,0,0,0,0,0,0,0)`, `DELETE FROM layer_records WHERE run_id = 99`, "layers: run 99 has layer records and is not there"},
		{`UPDATE printers SET plate_state = 'clear' WHERE name = 'Curlew'`, `UPDATE printers SET plate_state = 'occupied' WHERE name = 'Curlew'`, "plates: a run is open on Curlew, and its plate is clear"},
		{`UPDATE spools SET grams = 400`, `UPDATE spools SET grams = (SELECT left_g FROM spool_history ORDER BY id DESC LIMIT 1)`, "reels: reel 7 is said to hold 400.0 g, its history ends at 479.12 g"},
		{`UPDATE run_spools SET grams = grams + 1 WHERE run_id = 2`, `UPDATE run_spools SET grams = grams - 1 WHERE run_id = 2`, "runs: run 2 drew 2.98 g, its reels gave 3.98 g\nreels: what was drawn from reel 1 in run 2 is 3.98 g, its history says 2.98"},
		{`UPDATE pieces SET state = 'failed' WHERE run_id = 1 AND place = 1`, `UPDATE pieces SET state = 'good' WHERE run_id = 1`, "pieces: run 1 has 2 good pieces, and the ledger 1"},
	} {
		if _, err := s.w.Exec(x.do); err != nil {
			t.Fatal(x.do, err)
		}
		c, err := Check(ctx, dir)
		var got []string
		for _, f := range c.Faults {
			got = append(got, f.Where+": "+f.Text)
		}
		if err != nil || strings.Join(got, "\n") != x.want {
			t.Errorf("after %s: %v\n%s\nwant\n%s", x.do, err, strings.Join(got, "\n"), x.want)
		}
		if _, err := s.w.Exec(x.undo); err != nil {
			t.Fatal(x.undo, err)
		}
	}
	path := s.FilePath(sha)
	if err := os.WriteFile(path, []byte("M112\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	if c, _ := Check(ctx, dir); len(c.Faults) != 1 || !strings.Contains(c.Faults[0].Text, "is another one") {
		t.Errorf("another content: %+v", c.Faults)
	}
	if err := os.Rename(path, filepath.Join(filepath.Dir(path), strings.Repeat("0", 64)+".gcode")); err != nil {
		t.Fatal(err)
	}
	if c, _ := Check(ctx, dir); len(c.Faults) != 1 || !strings.Contains(c.Faults[0].Text, "is gone; add the file again") || len(c.Stray) != 1 {
		t.Errorf("no content: %+v", c)
	}
}

func TestABackupIsWholeAndRestoresWhatThereWas(t *testing.T) {
	dir := t.TempDir()
	s := kept(t, dir)
	to := filepath.Join(t.TempDir(), "tuesday.db")
	if err := Backup(ctx, dir, to); err != nil { // while it is open
		t.Fatal(err)
	}
	if err := Backup(ctx, dir, to); !errors.Is(err, queue.ErrConflict) {
		t.Errorf("over an earlier one: %v", err)
	}
	reel(t, s, 8, 100) // comes after the backup
	before, err := s.Tally(ctx)
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	text, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	// As the command says: in place of the database, without what lies beside it.
	path := filepath.Join(dir, databaseName)
	if err := os.WriteFile(path, text, 0o640); err != nil {
		t.Fatal(err)
	}
	os.Remove(path + "-wal")
	os.Remove(path + "-shm")
	if c, err := Check(ctx, dir); err != nil || len(c.Faults) != 0 {
		t.Errorf("%+v, %v", c.Faults, err)
	}
	s, rec := open(t, dir)
	defer s.Close()
	if len(rec.Interrupted) != 1 {
		t.Errorf("the run that was on its way: %+v", rec)
	}
	after, err := s.Tally(ctx)
	if err != nil || after.PiecesDone != before.PiecesDone || after.GramsUsed != before.GramsUsed {
		t.Errorf("%+v, %+v, %v", before, after, err)
	}
	if list, _ := s.Spools(ctx, true); len(list) != 1 {
		t.Errorf("%d reels", len(list))
	}
}

func TestADamagedCopyIsNoBackup(t *testing.T) {
	dir := t.TempDir()
	s := kept(t, dir)
	s.Close()
	path := filepath.Join(dir, databaseName)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// A page in the middle is overwritten, as a failing disk may.
	copy(text[len(text)/2/4096*4096:], bytes.Repeat([]byte{0xa5}, 4096))
	if err := os.WriteFile(path, text, 0o640); err != nil {
		t.Fatal(err)
	}
	c, err := Check(ctx, dir)
	if err == nil && len(c.Faults) == 0 {
		t.Error("a damaged page was not found")
	}
	to := filepath.Join(t.TempDir(), "b.db")
	if err := Backup(ctx, dir, to); err == nil {
		if err := whole(ctx, to); err != nil {
			t.Errorf("a damaged copy got its name: %v", err)
		}
	}
	if _, err := Check(ctx, t.TempDir()); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("an empty folder: %v", err)
	}
}
