package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"undercroft/gcode/analyze"
	"undercroft/gcode/reprint"
	"undercroft/queue"
	"undercroft/queue/intake"
	"undercroft/web"
)

// Reprint makes what prints only the rest of a job's piece, says what it comes to,
// and queues it when that is confirmed.
func (h *house) Reprint(ctx context.Context, id int64, r web.ReprintRequest) (web.Reprint, error) {
	job, err := h.store.Job(ctx, id)
	if err != nil {
		return web.Reprint{}, err
	}
	if r.Confirm && job.State != queue.NeedsDecision {
		return web.Reprint{}, fmt.Errorf("job %d is %s; there is nothing to decide: %w", id, job.State, queue.ErrConflict)
	}
	q, err := h.reprintRequest(ctx, &job, r)
	if err != nil {
		return web.Reprint{}, err
	}
	src, err := os.Open(h.store.FilePath(job.File.SHA256))
	if err != nil {
		return web.Reprint{}, fmt.Errorf("the file of job %d: %w: %w", id, err, queue.ErrUnavailable)
	}
	defer src.Close()
	res, err := analyze.Read(src, q.Analyze)
	if err != nil {
		return web.Reprint{}, err
	}
	tmp, err := h.store.Incoming()
	if err != nil {
		return web.Reprint{}, err
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	rep, made, err := reprint.Assess(src, res, q, tmp)
	if err != nil {
		return web.Reprint{}, reprintErr(err)
	}
	out := web.Reprint{}
	if out.ReprintReport, err = reportView(rep); err != nil {
		return web.Reprint{}, err
	}
	if made != nil {
		var picture strings.Builder
		if err := made.Plan.Picture(&picture); err != nil {
			return web.Reprint{}, err
		}
		out.Picture = picture.String()
	}
	if !r.Confirm {
		return out, nil
	}
	if made == nil {
		return web.Reprint{}, fmt.Errorf("%s: %w", rep.Missed(false), queue.ErrRefused)
	}
	if _, err := tmp.Seek(0, io.SeekStart); err != nil {
		return web.Reprint{}, err
	}
	of := job
	if n := len(r.Pieces); n > 0 {
		if len(job.Yields) != 1 || n > job.Pieces {
			return web.Reprint{}, fmt.Errorf("job %d yields pieces of several parts: add the file of the remainder by hand, for the part that is meant: %w", id, queue.ErrInvalid)
		}
		of.Yields = slices.Clone(job.Yields)
		of.Yields[0].Count = n
	}
	added, err := h.intake.AddFor(ctx, intake.Request{
		FileName: remainderName(job.FileName, rep.CutMM), Kind: job.Kind, NozzleMM: job.NozzleMM, Material: job.Material, Surface: job.Surface,
		OnHold: true, Part: job.Part,
	}, &of, tmp)
	if err != nil {
		return web.Reprint{}, webRefusal(err)
	}
	h.dispatch.Added(added.Jobs)
	out.JobID = added.Jobs[0].ID
	if err := h.dispatch.Remainder(ctx, id, out.JobID); err != nil {
		return web.Reprint{}, err
	}
	return out, nil
}

// reprintRequest adds what the record knows to what the person says.
func (h *house) reprintRequest(ctx context.Context, job *queue.Job, r web.ReprintRequest) (reprint.Request, error) {
	options, err := h.intake.Options(job.Kind, job.Material)
	if err != nil {
		return reprint.Request{}, err
	}
	q := reprint.Request{
		Given: r.HeightMM, Measured: r.Measured, MissingMM: r.Missing, NoPlastic: r.NoPlastic, Allowance: r.AllowanceMM,
		Options: reprint.Options{Name: job.FileName, Object: r.Object, Pieces: r.Pieces, Skirt: r.Skirt, Material: job.Material, Analyze: options},
	}
	if len(r.AtMM) == 2 {
		q.At = &[2]float64{r.AtMM[0], r.AtMM[1]}
	}
	list, err := h.store.Mishaps(ctx, true)
	if err != nil {
		return q, err
	}
	for _, m := range list { // newest first
		if m.JobID != job.ID {
			continue
		}
		q.Recorded = &m.CompletedMM
		if m.BadFromMM != nil && q.Given == nil && len(q.Measured)+len(q.MissingMM) == 0 {
			q.Given = m.BadFromMM // a person has said it at the plate
		}
		q.NoPlastic = q.NoPlastic || m.Result == "bad-yield" && m.BadFromMM == nil || ranDry(m.Cause)
		break
	}
	return q, nil
}

// ranDry reports causes after which a print may have gone on without plastic.
func ranDry(cause string) bool {
	return strings.Contains(cause, "runout") || strings.Contains(cause, "cold") || strings.Contains(cause, "filament")
}

// Joined records a person's word on a joined piece.
func (h *house) Joined(ctx context.Context, id int64, j web.Joined) error {
	return h.dispatch.Joined(ctx, id, j.Good)
}

// reprintErr gives an error of making a remainder its kind.
func reprintErr(err error) error {
	switch {
	case errors.Is(err, reprint.ErrRequest):
		return fmt.Errorf("%w: %w", err, queue.ErrInvalid)
	case errors.Is(err, reprint.ErrFile), errors.Is(err, reprint.ErrCheck):
		return fmt.Errorf("%w: %w", err, queue.ErrRefused)
	}
	return err
}

// reportView gives a report as the API does; the two have the same fields.
func reportView(rep *reprint.Report) (web.ReprintReport, error) {
	var out web.ReprintReport
	b, err := json.Marshal(rep)
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	return out, err
}

// remainderName is the file name of what is above a height.
func remainderName(name string, cutMM float64) string {
	ext := filepath.Ext(name)
	return fmt.Sprintf("%s-above-%.2f%s", strings.TrimSuffix(filepath.Base(name), ext), cutMM, ext)
}
