package store

import (
	"context"
	"database/sql"
	"fmt"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/queue"
)

// Recovery is what a crash had left open and what was made of it.
type Recovery struct {
	Interrupted []queue.Run // each is a mishap now, its job needs a decision, its plate is occupied
	Clearings   int         // clearing routines cut short: only a person clears those plates
}

// recover closes what was open when the last daemon died. A run whose printer
// may still be hot and whose piece lies where it lay becomes a mishap with the
// height that the durable layer records prove; nothing is started again.
func (s *Store) recover(ctx context.Context) (*Recovery, error) {
	rec := &Recovery{}
	err := s.tx(ctx, "closing what a crash left open", func(tx *sql.Tx) error {
		open, err := runs(ctx, tx, `SELECT `+runColumns+` FROM runs WHERE result = '' AND by_hand = 0 ORDER BY id`)
		if err != nil {
			return err
		}
		for _, r := range open {
			j, err := s.job(ctx, tx, r.JobID)
			if err != nil {
				return err
			}
			o, err := s.interrupted(ctx, tx, r, j)
			if err != nil {
				return err
			}
			var st Started
			e := End{Outcome: o, To: queue.NeedsDecision, Note: o.Text}
			if err := s.endRun(ctx, tx, e, r, j, &st); err != nil {
				return err
			}
			rec.Interrupted = append(rec.Interrupted, st.Run)
		}
		res, err := tx.ExecContext(ctx, `UPDATE printers SET plate_person = 1, plate_why = 'its clearing routine was cut short' WHERE name IN (SELECT printer FROM clearings WHERE result = '')`)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return err
		}
		rec.Clearings = int(n)
		_, err = tx.ExecContext(ctx, `UPDATE clearings SET result = 'interrupted', ended_at = ? WHERE result = ''`, ms(s.now()))
		return err
	})
	return rec, err
}

// interrupted reconstructs the outcome of a run from its durable layer records.
func (s *Store) interrupted(ctx context.Context, tx *sql.Tx, r queue.Run, j queue.Job) (fleet.Outcome, error) {
	o := fleet.Outcome{RunID: r.ID, Result: fleet.Interrupted, Cause: "daemon-died", StartedAt: r.StartedAt, EndedAt: r.StartedAt}
	records, err := layerRecords(ctx, tx, r.ID, 20)
	if err != nil {
		return o, err
	}
	layers, err := layersOf(ctx, tx, j.File.SHA256)
	if err != nil {
		return o, err
	}
	if n := len(records); n > 0 {
		last := records[n-1]
		o.EndedAt, o.Line, o.LayersDone, o.CompletedMM, o.FilamentMM = last.At, last.Line, last.Index+1, last.TopMM, last.FilamentMM
		for _, l := range records {
			o.Heat = append(o.Heat, fleet.HeatSample{At: l.At, Heaters: []link.Heater{{Name: "T0", ActualC: l.NozzleC}, {Name: "B", ActualC: l.BedC}}})
		}
	}
	if o.LayersDone < len(layers) {
		o.InProgressMM = layers[o.LayersDone].TopMM
	}
	o.Text = fmt.Sprintf("the daemon died in mid-print; %d of %d layers are certainly down, up to %.2f mm", o.LayersDone, len(layers), o.CompletedMM)
	if o.LayersDone == 0 {
		o.Text = "the daemon died in mid-print, before a layer was certainly down"
	}
	return o, nil
}
