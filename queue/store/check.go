package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"undercroft/queue"
)

// Fault is one thing that Check found wrong.
type Fault struct {
	Where string // "database", "files", "jobs", "runs", "layers", "reels", "pieces", "plates"
	Text  string
}

// Checked is what Check read.
type Checked struct {
	Schema int
	Jobs   int
	Runs   int
	Layers int
	Files  int
	Faults []Fault
	// Stray is content that no row knows: of an addition that was cut short, or
	// that is on its way. It does no harm and may be removed.
	Stray []string
}

// Check reads a whole data folder and changes nothing, whether or not a daemon
// works on it: the database's own integrity, files whose content is missing or
// another one, rows that nothing belongs to, and sums that do not come out.
func Check(ctx context.Context, dir string) (Checked, error) {
	db, err := look(ctx, filepath.Join(dir, databaseName))
	if err != nil {
		return Checked{}, err
	}
	defer db.Close()
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // all of it at one instant
	if err != nil {
		return Checked{}, explain("reading the database", err)
	}
	defer tx.Rollback()
	c := checking{tx: tx, dir: dir}
	err = c.all(ctx)
	return c.out, err
}

type checking struct {
	tx  *sql.Tx
	dir string
	out Checked
}

func (c *checking) fault(where, text string, args ...any) {
	c.out.Faults = append(c.out.Faults, Fault{where, fmt.Sprintf(text, args...)})
}

func (c *checking) all(ctx context.Context) error {
	bad, err := integrity(ctx, c.tx)
	if err != nil {
		return err
	}
	for _, text := range bad {
		c.fault("database", "%s", text)
	}
	if err := c.tx.QueryRowContext(ctx, `SELECT (SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM jobs), (SELECT count(*) FROM runs), (SELECT count(*) FROM layer_records)`).
		Scan(&c.out.Schema, &c.out.Jobs, &c.out.Runs, &c.out.Layers); err != nil {
		return explain("counting", err)
	}
	if newest := schemas(); c.out.Schema < newest {
		c.fault("database", "it has schema %d, this version brings it to %d when it is served; the rest was not looked at", c.out.Schema, newest)
		return nil
	}
	for _, r := range rules {
		found, err := rowsOf(ctx, c.tx, func(row *sql.Rows) (s string, err error) { return s, row.Scan(&s) }, r.query)
		if err != nil {
			return explain("checking the "+r.where, err)
		}
		for _, text := range found {
			c.fault(r.where, "%s", text)
		}
	}
	return c.files(ctx)
}

// rules each give a sentence for every row that is wrong.
var rules = []struct{ where, query string }{
	{"jobs", `SELECT 'job ' || j.id || ' is running and has no open run' FROM jobs j WHERE j.state = 'running' AND NOT EXISTS (SELECT 1 FROM runs r WHERE r.id = j.run_id AND r.job_id = j.id AND r.result = '')`},
	{"jobs", `SELECT 'job ' || j.id || ' awaits its yield, and its last run is ' || coalesce((SELECT r.result FROM runs r WHERE r.id = j.run_id), 'not there') FROM jobs j
		WHERE j.state = 'awaits-yield' AND NOT EXISTS (SELECT 1 FROM runs r WHERE r.id = j.run_id AND r.job_id = j.id AND r.result = 'finished' AND r.good IS NULL)`},
	{"jobs", `SELECT 'job ' || j.id || ' needs a decision, and no mishap asks for one' FROM jobs j WHERE j.state = 'needs-decision' AND NOT EXISTS (SELECT 1 FROM mishaps m WHERE m.job_id = j.id AND m.decided = '')`},
	{"jobs", `SELECT 'job ' || j.id || ' counts ' || j.runs || ' tries, and ' || (SELECT count(*) FROM runs r WHERE r.job_id = j.id AND r.result <> 'not-started') || ' are there' FROM jobs j
		WHERE j.runs <> (SELECT count(*) FROM runs r WHERE r.job_id = j.id AND r.result <> 'not-started')`},
	{"jobs", `SELECT 'job ' || j.id || ' counts ' || j.good || ' good pieces, its runs ' || (SELECT coalesce(sum(r.good),0) FROM runs r WHERE r.job_id = j.id) FROM jobs j
		WHERE j.good <> (SELECT coalesce(sum(r.good),0) FROM runs r WHERE r.job_id = j.id)`},
	{"runs", `SELECT 'run ' || r.id || ' is open, and job ' || r.job_id || ' is ' || j.state FROM runs r JOIN jobs j ON j.id = r.job_id WHERE r.result = '' AND j.state <> 'running'`},
	{"runs", `SELECT 'run ' || r.id || ' is ' || r.result || ' and has no end' FROM runs r WHERE r.result <> '' AND r.ended_at IS NULL`},
	{"runs", `SELECT 'run ' || r.id || ' ended before it began' FROM runs r WHERE r.ended_at < r.started_at`},
	{"runs", `SELECT 'run ' || r.id || ' ' || r.result || ' without a mishap' FROM runs r JOIN jobs j ON j.id = r.job_id
		WHERE r.result IN ('failed','interrupted') AND j.state <> 'cancelled' AND NOT EXISTS (SELECT 1 FROM mishaps m WHERE m.run_id = r.id)`},
	{"runs", `SELECT 'run ' || r.id || ' drew ' || round(r.grams,2) || ' g, its reels gave ' || round((SELECT sum(p.grams) FROM run_spools p WHERE p.run_id = r.id),2) || ' g'
		FROM runs r WHERE (SELECT sum(p.grams) FROM run_spools p WHERE p.run_id = r.id AND r.result NOT IN ('','not-started')) > r.grams + 0.001`},
	{"layers", `SELECT 'run ' || l.run_id || ' has layer records and is not there' FROM layer_records l WHERE NOT EXISTS (SELECT 1 FROM runs r WHERE r.id = l.run_id) GROUP BY l.run_id`},
	{"layers", `SELECT 'run ' || r.id || ' says ' || r.layers_done || ' layers, and its records end at ' || (SELECT max(idx)+1 FROM layer_records l WHERE l.run_id = r.id)
		FROM runs r WHERE r.result NOT IN ('','not-started') AND (SELECT max(idx)+1 FROM layer_records l WHERE l.run_id = r.id) > r.layers_done`},
	{"layers", `SELECT 'the layer records of run ' || run_id || ' have a gap' FROM layer_records GROUP BY run_id HAVING count(*) <> max(idx)+1`},
	{"layers", `SELECT 'layer ' || b.idx || ' of run ' || b.run_id || ' lies below the one before it in the file' FROM layer_records a JOIN layer_records b ON b.run_id = a.run_id AND b.idx = a.idx+1 WHERE b.line < a.line LIMIT 20`},
	{"plates", `SELECT 'a run is open on ' || r.printer || ', and its plate is ' || p.plate_state FROM runs r JOIN printers p ON p.name = r.printer WHERE r.result = '' AND (p.plate_state <> 'occupied' OR p.plate_run <> r.id)`},
	{"plates", `SELECT 'the plate of ' || name || ' holds run ' || plate_run || ', which is not there' FROM printers WHERE plate_run <> 0 AND NOT EXISTS (SELECT 1 FROM runs r WHERE r.id = plate_run)`},
	{"reels", `SELECT 'reel ' || coalesce(s.number, 'without a number on ' || s.printer) || ' is said to hold ' || coalesce(round(s.grams,2) || ' g', 'an unknown weight') || ', its history ends at ' || coalesce(round(h.left_g,2) || ' g', 'an unknown weight')
		FROM spools s JOIN spool_history h ON h.id = (SELECT max(id) FROM spool_history x WHERE x.spool_id = s.id) WHERE abs(coalesce(s.grams,-1) - coalesce(h.left_g,-1)) > 0.001`},
	{"reels", `SELECT 'what was drawn from reel ' || s.id || ' in run ' || p.run_id || ' is ' || round(sum(p.grams),2) || ' g, its history says ' || round(coalesce((SELECT -sum(h.change_g) FROM spool_history h WHERE h.spool_id = s.id AND h.run_id = p.run_id AND h.what = 'drawn'),0),2)
		FROM run_spools p JOIN spools s ON s.id = p.spool_id WHERE p.weighed = 0 GROUP BY p.run_id, s.id
		HAVING abs(sum(p.grams) + coalesce((SELECT sum(h.change_g) FROM spool_history h WHERE h.spool_id = s.id AND h.run_id = p.run_id AND h.what = 'drawn'),0)) > 0.001`},
	{"pieces", `SELECT 'run ' || r.id || ' has ' || r.good || ' good pieces, and the ledger ' || (SELECT count(*) FROM pieces c WHERE c.run_id = r.id AND c.state IN ('good','reopened'))
		FROM runs r WHERE r.good IS NOT NULL AND r.good <> (SELECT count(*) FROM pieces c WHERE c.run_id = r.id AND c.state IN ('good','reopened'))`},
	{"pieces", `SELECT 'pieces of run ' || r.id || ', which is ' || r.result || ', are still open' FROM runs r
		WHERE r.result IN ('failed','cancelled','interrupted','not-started') AND EXISTS (SELECT 1 FROM pieces c WHERE c.run_id = r.id AND c.state = 'open')`},
}

// files holds each stored file against its row and its hash, and looks for
// content that no row knows.
func (c *checking) files(ctx context.Context) error {
	known := map[string]bool{}
	type row struct {
		sha    string
		byHand bool
		layers []byte
	}
	list, err := rowsOf(ctx, c.tx, func(r *sql.Rows) (f row, err error) {
		return f, r.Scan(&f.sha, &f.byHand, &f.layers)
	}, `SELECT sha256, coalesce(summary ->> '$.by_hand', 0), layers FROM files`)
	if err != nil {
		return explain("reading the files", err)
	}
	s := Store{dir: c.dir}
	for _, f := range list {
		if f.byHand {
			continue // there is no content
		}
		c.out.Files++
		known[f.sha] = true
		if _, err := unpackLayers(f.layers); err != nil {
			c.fault("files", "%.12s: %v", f.sha, err)
		}
		if len(f.sha) < 2 {
			c.fault("files", "a row has the hash %q", f.sha)
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		switch sum, err := hashOf(s.FilePath(f.sha)); {
		case errors.Is(err, fs.ErrNotExist):
			c.fault("files", "the content of %.12s is gone; add the file again", f.sha)
		case err != nil:
			c.fault("files", "%.12s cannot be read: %v", f.sha, err)
		case sum != f.sha:
			c.fault("files", "the content of %.12s is another one, with the hash %.12s; remove it and add the file again", f.sha, sum)
		}
	}
	err = filepath.WalkDir(filepath.Join(c.dir, "files"), func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		sha, isContent := strings.CutSuffix(e.Name(), ".gcode")
		if isContent && !known[sha] {
			c.out.Stray = append(c.out.Stray, path)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("the folder of the files cannot be read: %w: %w", err, queue.ErrUnavailable)
	}
	return nil
}

func hashOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
