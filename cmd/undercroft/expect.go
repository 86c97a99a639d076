package main

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/queue/learn"
	"undercroft/web"
)

// learned is what the runs so far have taught, brought up to date when it is asked.
type learned struct {
	mu    sync.Mutex
	model *learn.Model
	last  int64 // the last run that was learned from
}

func (h *house) Expect(ctx context.Context, printer string, e web.Expect) (web.Expected, error) {
	printers := h.dispatch.View().Printers
	i := slices.IndexFunc(printers, func(p dispatch.PrinterView) bool { return p.Machine.Name == printer })
	if i < 0 {
		return web.Expected{}, fmt.Errorf("there is no printer %s here: %w", printer, queue.ErrNotFound)
	}
	if e.NozzleMM == 0 { // the file does not say: what is fitted and loaded
		e.NozzleMM = printers[i].Machine.NozzleMM
	}
	if e.Material == "" {
		e.Material = printers[i].Spool.Material
	}
	l := &h.learned
	l.mu.Lock()
	defer l.mu.Unlock()
	runs, last, err := h.store.History(ctx, l.last)
	if err != nil {
		return web.Expected{}, err
	}
	if l.model == nil {
		l.model = learn.New(nil)
	}
	for _, r := range runs {
		l.model.Add(r)
	}
	l.last = last
	r := l.model.Predict(printer, learn.Group(e.Material, e.NozzleMM), e.EstimateS)
	return web.Expected{
		LowS: r.LowS, MidS: r.MidS, HighS: r.HighS, Holds: r.Holds, BeforeS: r.BeforeS, Factor: r.Factor,
		OwnRuns: r.OwnRuns, PrinterRuns: r.PrinterRuns, Runs: r.Runs,
	}, nil
}

func (c *inspectCmd) server() clientFlags {
	return clientFlags{Server: c.Server, Key: c.Key, Trust: c.Trust}
}

// machine asks the daemon what files for a printer are read with.
func (c *inspectCmd) machine(w io.Writer) (*web.Machine, error) {
	asked, err := newClient(c.server(), w, w)
	if err != nil {
		return nil, err
	}
	var m web.Machine
	return &m, asked.get(printerArg{Printer: c.Printer}.path("machine"), &m)
}

// expect asks the daemon what a file's estimate means on a printer.
func (c *inspectCmd) expect(r *analyze.Result, w io.Writer) (*web.Expected, error) {
	asked, err := newClient(c.server(), w, w)
	if err != nil {
		return nil, err
	}
	nozzle := r.Nozzle.DeclaredMM
	if nozzle == 0 && len(r.Nozzle.InferredMM) == 1 {
		nozzle = r.Nozzle.InferredMM[0]
	}
	q := url.Values{"estimate_s": {strconv.FormatFloat(max(r.TimeS, 1), 'f', 1, 64)}, "material": {strings.ToUpper(r.Material)}, "nozzle_mm": {strconv.FormatFloat(nozzle, 'f', 3, 64)}}
	var x web.Expected
	if err := asked.get(printerArg{Printer: c.Printer}.path("expect")+"?"+q.Encode(), &x); err != nil {
		return nil, err
	}
	return &x, nil
}

func writeExpected(w io.Writer, printer string, x *web.Expected) {
	from := fmt.Sprintf("%s of %s with such files", count(x.OwnRuns, "run", "runs"), printer)
	switch {
	case x.Runs == 0:
		from = "no run has finished here yet; the range is a usual one"
	case x.OwnRuns < 10:
		from += fmt.Sprintf(", leaning on %d of %s and %d of all printers", x.PrinterRuns, printer, x.Runs)
	}
	fmt.Fprintf(w, "on %s  %s to %s, most likely %s; %.0f in 100 runs end within (%s)\n", plain(printer), span(x.LowS), span(x.HighS), span(x.MidS), x.Holds*100, plain(from))
	if x.Runs > 0 {
		fmt.Fprintf(w, "           %s before the first layer beyond the estimate, then %.2f times as long as estimated\n", span(x.BeforeS), x.Factor)
	}
}
