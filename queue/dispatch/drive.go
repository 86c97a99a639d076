package dispatch

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"time"

	"undercroft/fleet"
	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/store"
)

// drive sees one recorded start through: the printer is asked, the outcome
// awaited, the end recorded.
func (d *Dispatcher) drive(ctx, startCtx context.Context, p *printer, r queue.Run, j *queue.Job) {
	out, err := d.begin(startCtx, p, r, j)
	if err != nil {
		d.notStarted(p, r, err)
		return
	}
	d.mu.Lock()
	p.stage, p.callOff, p.refusals = running, nil, 0
	stopped := p.stopped
	d.mu.Unlock()
	if stopped != "" { // the call came too late to keep it from starting
		if err := p.dev.Stop(ctx, stopped); err != nil {
			d.o.Log.Error("a run could not be stopped as it began", "printer", p.conf.Name, "err", err)
		}
	}
	d.o.Log.Info("started", "printer", p.conf.Name, "job", j.ID, "run", r.ID, "part", j.Part)
	d.poke()
	o := <-out
	d.record(ctx, p, r, j, o)
}

var errFileGone = errors.New("the file is gone from the data folder; add it again")

func (d *Dispatcher) begin(ctx context.Context, p *printer, r queue.Run, j *queue.Job) (<-chan fleet.Outcome, error) {
	path := d.o.Store.FilePath(j.File.SHA256)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil, errFileGone
	}
	layers, err := d.o.Store.Layers(ctx, j.File.SHA256)
	if err != nil {
		return nil, err
	}
	list := fleetLayers(layers, j.File.FilamentMM)
	d.mu.Lock()
	p.layers = drawOf(list)
	d.mu.Unlock()
	return p.dev.Start(ctx, fleet.Run{
		ID: r.ID, Label: label(j, r.Try), Open: func() (io.ReadCloser, error) { return os.Open(path) },
		Layers: list, Lines: j.File.Lines, EstimateS: j.File.EstimateS, HeightMM: j.File.HeightMM,
		MinMM: [2]float64(j.File.MinMM[:2]), MaxMM: [2]float64(j.File.MaxMM[:2]), Journal: d.o.Store.Journal(),
	})
}

// fleetLayers keeps of a layer index what the fleet needs to record layers. What
// a file of wholeMM of filament draws outside of its layers, prime lines above
// all, is taken to be drawn before the first one: so it is debited, and a reel is
// never foretold to last longer than it does.
func fleetLayers(layers []analyze.Layer, wholeMM float64) []fleet.Layer {
	out := make([]fleet.Layer, len(layers))
	inside := 0.0
	for i := range layers {
		inside += layers[i].FilamentMM
	}
	drawn := max(0, wholeMM-inside)
	for i := range layers {
		l := &layers[i]
		drawn += l.FilamentMM
		out[i] = fleet.Layer{TopMM: l.TopMM, EndLine: l.EndLine, EndS: l.EndS, FilamentMM: drawn}
	}
	return out
}

// notStarted takes back a start that the printer refused.
func (d *Dispatcher) notStarted(p *printer, r queue.Run, cause error) {
	d.turn.Lock()
	defer d.turn.Unlock()
	defer d.poke()
	d.mu.RLock()
	cancel, stopped := p.cancel, p.stopped
	d.mu.RUnlock()
	gone := errors.Is(cause, errFileGone)
	why := cause.Error()
	if stopped != "" {
		why = "stopped before it began: " + stopped
	}
	ctx := context.Background()
	st, err := d.o.Store.NotStarted(ctx, r, why, gone || stopped != "")
	if err == nil && stopped != "" {
		st.Facts, err = d.o.Store.SetPlate(ctx, p.conf.Name, queue.PlateUnknown, stopped)
	}
	if err == nil && cancel {
		st.Job, err = d.o.Store.Move(ctx, r.JobID, queue.Cancelled, "cancelled by a person", queue.Queued, queue.OnHold)
	}
	d.release(p)
	d.mu.Lock()
	defer d.mu.Unlock()
	close(p.recorded)
	p.stage, p.run, p.job, p.callOff = idle, nil, nil, nil
	if err != nil {
		// The run stays open in the store: the next start of the daemon makes it
		// a mishap. Nothing else starts on this plate meanwhile.
		p.stage, p.pending = ending, err.Error()
		d.o.Log.Error("a refused start could not be recorded", "printer", p.conf.Name, "run", r.ID, "err", err)
		return
	}
	d.setJob(st.Job)
	p.know(st.Facts)
	if !gone && stopped == "" {
		d.refuse(p, cause.Error())
	}
	d.o.Log.Warn("not started", "printer", p.conf.Name, "job", r.JobID, "why", cause)
}

// Patience with the disk at the end of a run, real time.
const (
	flushWait   = 10 * time.Second
	recordPause = time.Second
	// closingTries: how often an outcome is tried to be recorded once the daemon
	// is to end. After that the run stays open, and the next start finds it
	// interrupted: nothing claims to have finished that is not on the disk.
	closingTries = 10
)

// record makes an outcome durable, once, and frees the printer.
func (d *Dispatcher) record(ctx context.Context, p *printer, r queue.Run, j *queue.Job, o fleet.Outcome) {
	d.mu.Lock()
	p.stage = ending
	cancel := p.cancel
	d.mu.Unlock()
	flush, done := context.WithTimeout(context.Background(), flushWait)
	if err := d.o.Store.Journal().Flush(flush); err != nil {
		d.o.Log.Error("layer records are late; the outcome is recorded without them", "run", r.ID, "err", err)
	}
	done()
	o.RunID = r.ID
	if o.EndedAt.IsZero() {
		o.EndedAt = d.now()
	}
	e := store.End{Outcome: o, To: queue.NeedsDecision, Note: o.Text}
	switch {
	case o.Result == fleet.Finished:
		e.To, e.Note = queue.AwaitsYield, ""
	case cancel:
		e.To, e.Note = queue.Cancelled, "cancelled by a person in mid-print"
	}
	for try := 1; ; try++ {
		err := d.endRun(p, e)
		if err == nil {
			d.o.Log.Info("ended", "printer", p.conf.Name, "job", j.ID, "run", r.ID, "result", o.Result, "cause", o.Cause, "completed_mm", o.CompletedMM)
			d.poke()
			return
		}
		if errors.Is(err, queue.ErrConflict) || errors.Is(err, queue.ErrNotFound) {
			d.o.Log.Error("an outcome met a run that is not open", "run", r.ID, "err", err)
			d.mu.Lock()
			p.pending = err.Error()
			close(p.recorded)
			d.mu.Unlock()
			d.poke()
			return
		}
		d.o.Log.Error("an outcome waits for the disk", "run", r.ID, "try", try, "err", err)
		d.mu.Lock()
		p.pending = err.Error()
		d.mu.Unlock()
		d.poke()
		if ctx.Err() != nil && try >= closingTries {
			return
		}
		time.Sleep(recordPause)
	}
}

func (d *Dispatcher) endRun(p *printer, e store.End) error {
	d.turn.Lock()
	defer d.turn.Unlock()
	st, err := d.o.Store.EndRun(context.Background(), e)
	if err != nil {
		return err
	}
	d.mu.Lock()
	d.setJob(st.Job)
	p.know(st.Facts)
	close(p.recorded)
	p.stage, p.run, p.job, p.pending, p.cancel = idle, nil, nil, "", false
	d.mu.Unlock()
	d.refresh(context.Background())
	return nil
}

// clearings starts the owner's clearing routine where it may follow.
func (d *Dispatcher) clearings(ctx context.Context, h *queue.House) {
	if !h.Answered || h.ColdNow {
		return
	}
	for _, p := range d.printers {
		if p.conf.Clearing == "" {
			continue
		}
		s := p.dev.Snapshot()
		d.mu.RLock()
		j := d.live[p.facts.Plate.JobID]
		m := d.machine(p, &s)
		free := p.stage == idle && !p.retryAt.After(h.Now) && p.facts.OutOfService == "" && !p.facts.Lent
		d.mu.RUnlock()
		if !free || s.Phase != fleet.Ready || s.Run != nil || m.Plate.State != queue.PlateOccupied || j == nil || j.State != queue.AwaitsYield {
			continue
		}
		if ok, _ := queue.MayClearItself(j, &m); !ok || !d.lease(p) {
			continue
		}
		id, f, err := d.o.Store.StartClearing(ctx, p.conf.Name)
		if err != nil {
			d.release(p)
			d.o.Log.Error("the clearing routine was not started", "printer", p.conf.Name, "err", err)
			continue
		}
		d.mu.Lock()
		p.know(f)
		p.stage = clearing
		d.mu.Unlock()
		d.wg.Go(func() { d.clear(ctx, p, id) })
	}
}

// clear runs the routine and records how it ended.
func (d *Dispatcher) clear(ctx context.Context, p *printer, id int64) {
	routine := p.conf.Clearing
	out, err := p.dev.Start(ctx, fleet.Run{
		ID: -id, Label: "clearing routine", Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(routine)), nil },
		Lines: int64(strings.Count(routine, "\n") + 1), Journal: d.o.Store.Journal(), Routine: true,
	})
	result, text := "not-started", ""
	if err != nil {
		text = err.Error()
	} else {
		o := <-out
		result, text = string(o.Result), o.Text
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	f, err := d.o.Store.EndClearing(context.Background(), id, result, text)
	if result == "not-started" {
		d.release(p) // else its watts are free once it is seen to cool
	}
	d.mu.Lock()
	if err != nil {
		d.o.Log.Error("the end of a clearing routine could not be stored; a person must clear the plate", "printer", p.conf.Name, "err", err)
		p.facts.Plate.Person = true
	} else {
		p.know(f)
		if f.Plate.State == queue.PlateClear {
			p.startsAt = time.Time{} // no hands were at the machine
		}
	}
	p.stage = idle
	d.mu.Unlock()
	d.poke()
}
