package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	_ "modernc.org/sqlite"
)

// judged is what was held against the traces so far.
type judged struct {
	runs, finished, interrupted, other, unsent int
	pieces                                     int
	grams, hours                               float64
	behind                                     int     // layers, at most
	apartS                                     float64 // house seconds between a run's time in the ledger and in the trace, at most
}

func (j *judged) add(o judged) {
	j.runs, j.finished, j.interrupted, j.other, j.unsent = j.runs+o.runs, j.finished+o.finished, j.interrupted+o.interrupted, j.other+o.other, j.unsent+o.unsent
	j.pieces, j.grams, j.hours = j.pieces+o.pieces, j.grams+o.grams, j.hours+o.hours
	j.behind, j.apartS = max(j.behind, o.behind), max(j.apartS, o.apartS)
}

// ledgerRun is a run as the database has it.
type ledgerRun struct {
	id, job                 int64
	part, printer, result   string
	started, ended          int64 // ms
	layers                  int
	filament, grams         float64
	good                    sql.NullInt64
	state                   string // of its job
	lastRecord, recordCount int
}

// gPerMM is the mass of a millimetre of the reels' filament: 1.75 mm, 1.24 g/cm³.
const gPerMM = math.Pi / 4 * 1.75 * 1.75 * 1.24 / 1000

// slackS is how far a run's time in the ledger may lie from that in the trace,
// real seconds: the daemon hears of an end after it, and 10 processes share two
// cores.
const slackS = 3

// judge holds the ledger against the traces. It is called when the daemon has
// come up after a death and reads the database by itself.
func (k *killing) judge() error {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(k.dir, "data", "undercroft.db")+"?_pragma=busy_timeout(5000)&_pragma=query_only(1)")
	if err != nil {
		return err
	}
	defer db.Close()
	// A trace is written up to 100 ms behind what it tells, more on a loaded
	// machine; the ledger is read anew with it.
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if err = k.look(db); err == nil || time.Now().After(deadline) {
			break
		}
	}
	if err != nil {
		return err
	}
	text, err := exec.Command(k.program, "check", "--data", filepath.Join(k.dir, "data")).CombinedOutput()
	if err != nil {
		return fmt.Errorf("check: %w\n%s", err, text)
	}
	return nil
}

// look compares once: the ledger at one instant, then what the traces tell.
func (k *killing) look(db *sql.DB) error {
	k.mu.Lock()
	added, said := maps.Clone(k.added), maps.Clone(k.said) // acknowledged before the ledger is read
	k.mu.Unlock()
	tx, err := db.BeginTx(context.Background(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	runs, err := ledgerRuns(tx)
	if err != nil {
		return err
	}
	if err := k.jobs(tx, added, said); err != nil {
		return err
	}
	if err := k.reels(tx); err != nil {
		return err
	}
	return k.against(runs)
}

// jobs holds that no acknowledged job and no acknowledged answer is lost.
func (k *killing) jobs(tx *sql.Tx, added, said map[int64]string) error {
	rows, err := tx.Query(`SELECT id, part, state, good FROM jobs`)
	if err != nil {
		return err
	}
	defer rows.Close()
	good := 0
	for rows.Next() {
		var id int64
		var part, state string
		var n int
		if err := rows.Scan(&id, &part, &state, &n); err != nil {
			return err
		}
		if want, ok := added[id]; ok && want != part {
			return fmt.Errorf("job %d was added as %s and is %s", id, want, part)
		}
		if want, ok := said[id]; ok && want != state {
			return fmt.Errorf("job %d was acknowledged as %s and is %s", id, want, state)
		}
		if (state == "done") != (n == 1) {
			return fmt.Errorf("job %d is %s with %d good pieces", id, state, n)
		}
		good += n
		delete(added, id)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for id, part := range added {
		return fmt.Errorf("job %d (%s) was acknowledged and is lost", id, part)
	}
	k.mu.Lock()
	k.judged.pieces = good
	k.mu.Unlock()
	return nil
}

// reels holds that each reel has lost what its printer's runs drew.
func (k *killing) reels(tx *sql.Tx) error {
	for i, p := range k.printers {
		var left, drawn float64
		if err := tx.QueryRow(`SELECT (SELECT grams FROM spools WHERE number = ?), (SELECT coalesce(sum(grams),0.0) FROM runs WHERE printer = ?)`, i+1, p.name).Scan(&left, &drawn); err != nil {
			return err
		}
		if math.Abs(fullG-drawn-left) > 1e-6*fullG {
			return fmt.Errorf("reel %d held %.0f g, the runs on %s drew %.3f g, and it is said to hold %.3f g", i+1, fullG, p.name, drawn, left)
		}
	}
	return nil
}

func ledgerRuns(tx *sql.Tx) ([]ledgerRun, error) {
	rows, err := tx.Query(`SELECT r.id, r.job_id, j.part, r.printer, r.result, r.started_at, coalesce(r.ended_at,0), r.layers_done, r.filament_mm, r.grams, r.good, j.state,
		(SELECT coalesce(max(idx)+1,0) FROM layer_records l WHERE l.run_id = r.id), (SELECT count(*) FROM layer_records l WHERE l.run_id = r.id)
		FROM runs r JOIN jobs j ON j.id = r.job_id ORDER BY r.id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []ledgerRun
	for rows.Next() {
		var r ledgerRun
		if err := rows.Scan(&r.id, &r.job, &r.part, &r.printer, &r.result, &r.started, &r.ended, &r.layers, &r.filament, &r.grams, &r.good, &r.state, &r.lastRecord, &r.recordCount); err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, rows.Err()
}

// against pairs what each printer executed with the runs that the ledger has for
// it, in order, and holds each ended run against its pair.
func (k *killing) against(runs []ledgerRun) error {
	sum := judged{}
	fresh := map[int64]bool{}
	for _, p := range k.printers {
		k.mu.Lock()
		err := p.trace.read(k.files)
		k.mu.Unlock()
		if err != nil {
			return err
		}
		pairs, err := pair(p, runs)
		if err != nil {
			return err
		}
		for _, r := range runs {
			if r.printer != p.name || r.result == "" {
				continue
			}
			if err := k.hold(&r, pairs[r.id], &sum); err != nil {
				return fmt.Errorf("run %d (%s, try on %s, %s): %w", r.id, r.part, r.printer, r.result, err)
			}
			fresh[r.id] = true
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for id := range k.checked {
		if !fresh[id] {
			return fmt.Errorf("run %d was there once and is gone", id)
		}
	}
	sum.pieces = k.judged.pieces
	k.checked, k.judged = fresh, sum
	return nil
}

// pair finds for each execution its run, both in order. A run that recorded
// layers or finished was executed; one that died before a line was sent was not,
// and which of several tries of one job those were is found by trying. An
// execution without a run was started behind the ledger's back, but for the
// newest one, which may have begun after the ledger was read.
func pair(p *player, runs []ledgerRun) (map[int64]*executed, error) {
	var own []*ledgerRun
	for i := range runs {
		if runs[i].printer == p.name {
			own = append(own, &runs[i])
		}
	}
	const (
		none = iota
		match
		skipRun
		skipExecuted
	)
	did := p.trace.runs
	must := func(r *ledgerRun) bool { return r.recordCount > 0 || r.result == "finished" }
	// ways[i][j] says how executions from i on fit runs from j on.
	ways := make([][]int8, len(did)+1)
	for i := len(did); i >= 0; i-- {
		ways[i] = make([]int8, len(own)+1)
		for j := len(own); j >= 0; j-- {
			switch {
			case i == len(did) && j == len(own):
				ways[i][j] = match
			case i < len(did) && j < len(own) && did[i].part == own[j].part && own[j].result != "not-started" && ways[i+1][j+1] != none:
				ways[i][j] = match
			case j < len(own) && !must(own[j]) && ways[i][j+1] != none:
				ways[i][j] = skipRun
			case i == len(did)-1 && j == len(own):
				ways[i][j] = skipExecuted
			}
		}
	}
	if ways[0][0] == none {
		return nil, mismatch(p, own)
	}
	out := map[int64]*executed{}
	for i, j := 0, 0; i < len(did) || j < len(own); {
		switch ways[i][j] {
		case match:
			out[own[j].id] = did[i]
			i, j = i+1, j+1
		case skipRun:
			j++
		default:
			i++
		}
	}
	return out, nil
}

// mismatch words what cannot be paired.
func mismatch(p *player, own []*ledgerRun) error {
	var b strings.Builder
	fmt.Fprintf(&b, "what %s executed and what the ledger says it ran cannot be paired: something was started twice or unrecorded, or recorded and not executed.\nexecuted:", p.name)
	for _, x := range p.trace.runs {
		fmt.Fprintf(&b, " %s (%d commands)", x.part, x.matched)
	}
	b.WriteString("\nledger:")
	for _, r := range own {
		fmt.Fprintf(&b, " run %d %s %s (%d layers)", r.id, r.part, r.result, r.recordCount)
	}
	return errors.New(b.String())
}

// hold compares one ended run with what was executed of it.
func (k *killing) hold(r *ledgerRun, x *executed, sum *judged) error {
	k.mu.Lock()
	p := k.files[r.part]
	k.mu.Unlock()
	if p == nil {
		return errors.New("nobody added this")
	}
	if r.result == "not-started" {
		if x != nil {
			return errors.New("it was taken back, and the printer executed it")
		}
		return nil
	}
	sum.runs++
	lastedS := float64(r.ended-r.started) / 1000
	sum.grams += r.grams
	sum.hours += lastedS / 3600
	if math.Abs(r.grams-r.filament*gPerMM) > 1e-6*(1+r.grams) {
		return fmt.Errorf("%.4f mm weigh %.4f g, the ledger has %.4f", r.filament, r.filament*gPerMM, r.grams)
	}
	if r.recordCount != r.lastRecord {
		return fmt.Errorf("%d layer records up to layer %d", r.recordCount, r.lastRecord)
	}
	done, tookS := 0, 0.0
	if x != nil {
		done, tookS = x.matched, x.lastS-x.beganS
	}
	layers := 0
	for layers < len(p.layerEnd) && p.layerEnd[layers] <= done {
		layers++
	}
	if r.layers > layers {
		return fmt.Errorf("%d layers are recorded, %d were executed (%d of %d commands)", r.layers, layers, done, len(p.commands))
	}
	apart := 0.0
	switch r.result {
	case "finished":
		sum.finished++
		if done != len(p.commands) {
			return fmt.Errorf("%d of its %d commands were executed", done, len(p.commands))
		}
		if r.layers != len(p.layerEnd) || math.Abs(r.filament-p.totalMM) > 0.001 {
			return fmt.Errorf("%d layers and %.3f mm are recorded, %d and %.3f were executed", r.layers, r.filament, len(p.layerEnd), p.totalMM)
		}
		apart = math.Abs(lastedS - tookS)
	case "interrupted":
		sum.interrupted++
		mm := 0.0
		if r.layers > 0 {
			mm = p.layerMM[r.layers-1]
		}
		if r.layers != r.lastRecord || math.Abs(r.filament-mm) > 0.001 {
			return fmt.Errorf("%d layers and %.3f mm are recorded; %d records, and the file has %.3f mm up to there", r.layers, r.filament, r.lastRecord, mm)
		}
		sum.behind = max(sum.behind, layers-r.layers)
		apart = max(0, lastedS-tookS) // its time ends with the last layer that is on the disk
	default:
		sum.other++
		apart = max(0, tookS-lastedS)
	}
	if x == nil {
		sum.unsent++
	}
	sum.apartS = max(sum.apartS, apart)
	if apart > slackS*k.cmd.Pace {
		return fmt.Errorf("it lasted %.0f s by the ledger, %.0f s by the trace", lastedS, tookS)
	}
	if r.good.Valid && r.good.Int64 == 1 && r.result != "finished" {
		return errors.New("a piece of it was found good, and it did not finish")
	}
	return nil
}
