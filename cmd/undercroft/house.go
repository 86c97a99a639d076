package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"

	"undercroft/cmd/undercroft/config"
	"undercroft/gcode/motion"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/queue/intake"
	"undercroft/queue/store"
	"undercroft/web"
	"undercroft/web/call"
)

// house answers for the whole daemon: it joins dispatcher, intake and store to
// what the pages, the API and the commands see. Its views are in house_view.go.
type house struct {
	conf     atomic.Pointer[config.Config] // changed by a reload
	reload   func() (web.Reloaded, error)
	clock    houseClock
	demo     bool
	store    *store.Store
	intake   *intake.Intake
	dispatch *dispatch.Dispatcher
	learned  learned
	calls    *call.Caller
	taught   curves
}

// config is the configuration in force.
func (h *house) config() *config.Config { return h.conf.Load() }

var _ web.House = (*house)(nil)

// kinds lists for intake what the printers of each kind have in common, with the
// nozzles that are fitted now.
func (h *house) kinds() []intake.Kind {
	fitted := map[string]float64{}
	limits := map[string]motion.Limits{}
	for _, p := range h.dispatch.View().Printers {
		fitted[p.Machine.Name] = p.Machine.NozzleMM
		if l, ok := motion.FromSettings(p.Snapshot.Link.Identity.Settings); ok {
			limits[p.Machine.Name] = l
		}
	}
	var kinds []intake.Kind
	of := map[string][]string{}
	index := map[string]int{}
	for _, p := range h.config().Printers {
		if p.Kind == queue.ByHand {
			continue // no file is for it
		}
		i, ok := index[p.Kind]
		if !ok {
			i = len(kinds)
			index[p.Kind] = i
			kinds = append(kinds, intake.Kind{Name: p.Kind, OriginMM: p.OriginMM, Limits: motion.Default(), AllowCodes: h.config().House.AllowCodes})
		}
		k := &kinds[i]
		of[p.Kind] = append(of[p.Kind], p.Name)
		k.VolumeMM = append(k.VolumeMM, p.VolumeMM)
		k.MaxNozzleC = max(k.MaxNozzleC, p.MaxNozzleC)
		k.MaxBedC = max(k.MaxBedC, p.MaxBedC)
		if mm := fitted[p.Name]; mm > 0 {
			k.NozzlesMM = append(k.NozzlesMM, mm)
		}
		// The first printer of a kind whose limits are known speaks for it.
		if p.Limits != nil && !ok {
			k.Limits = *p.Limits
		} else if l, known := limits[p.Name]; known && k.Limits == motion.Default() {
			k.Limits = l
		}
	}
	for i := range kinds {
		h.taught.taught(&kinds[i], of[kinds[i].Name])
	}
	return kinds
}

func (h *house) Subscribe() (<-chan struct{}, func()) { return h.dispatch.Subscribe() }

// webRefusal gives the refusal of a file as the API does.
func webRefusal(err error) error {
	var refused *intake.Refusal
	if errors.As(err, &refused) {
		return &web.Refusal{File: refused.File, Findings: findings(refused.Findings)}
	}
	return err
}

func (h *house) Add(ctx context.Context, req web.AddRequest, body io.Reader) (web.Added, error) {
	added, err := h.intake.Add(ctx, intake.Request(req), body)
	if err != nil {
		h.dispatch.Added(added.Jobs) // what was stored before something else went wrong
		return web.Added{}, webRefusal(err)
	}
	return h.added(added), nil
}

func (h *house) Jobs(ctx context.Context, all bool) ([]web.Job, error) {
	live := h.dispatch.View().Jobs
	if !all {
		out := make([]web.Job, len(live))
		for i, j := range live {
			out[i] = jobView(j.Job, j.Why)
		}
		return out, nil
	}
	whys := make(map[int64]string, len(live))
	for _, j := range live {
		whys[j.ID] = j.Why
	}
	jobs, err := h.store.Jobs(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]web.Job, len(jobs))
	for i := range jobs {
		why, ok := whys[jobs[i].ID]
		if !ok {
			why = jobs[i].Note
		}
		out[i] = jobView(&jobs[i], why)
	}
	return out, nil
}

func (h *house) Why(ctx context.Context, id int64) (web.Why, error) {
	w, err := h.dispatch.Why(ctx, id)
	if err != nil {
		return web.Why{}, err
	}
	out := web.Why{Job: jobView(&w.Job, w.Summary), Summary: w.Summary, Printers: []web.WhyPrinter{}}
	for _, p := range w.Printers {
		wp := web.WhyPrinter{Printer: p.Printer, Obstacles: []web.Obstacle{}}
		for _, o := range p.Obstacles {
			wp.Obstacles = append(wp.Obstacles, web.Obstacle{Code: string(o.Code), Text: o.Text, Remedy: o.Remedy})
		}
		out.Printers = append(out.Printers, wp)
	}
	out.Or = w.Or
	return out, nil
}

func (h *house) Hold(ctx context.Context, id int64) error    { return h.dispatch.Hold(ctx, id) }
func (h *house) Release(ctx context.Context, id int64) error { return h.dispatch.Release(ctx, id) }
func (h *house) Cancel(ctx context.Context, id int64) error  { return h.dispatch.Cancel(ctx, id) }

func (h *house) Decide(ctx context.Context, id int64, d web.Decision) error {
	return h.dispatch.Decide(ctx, id, d.Again)
}

func (h *house) Mishaps(ctx context.Context) ([]web.Mishap, error) {
	list, err := h.store.Mishaps(ctx, true)
	if err != nil {
		return nil, err
	}
	files := map[string]*queue.File{}
	for _, m := range list {
		if files[m.SHA256] != nil {
			continue
		}
		f, err := h.store.File(ctx, m.SHA256)
		if err != nil && !errors.Is(err, queue.ErrNotFound) {
			return nil, err
		}
		files[m.SHA256] = f
	}
	return mishapViews(list, files), nil
}

func (h *house) Cleared(ctx context.Context, printer string, c web.Cleared) error {
	return h.dispatch.Cleared(ctx, printer, dispatch.Cleared{
		Empty: c.Empty, Seated: c.Seated, Surface: c.Surface, Good: c.Good, Bad: c.Bad, BadFromMM: c.BadFrom,
	})
}

func (h *house) NotYet(ctx context.Context, p string) error   { return h.dispatch.NotYet(ctx, p) }
func (h *house) Lend(ctx context.Context, p string) error     { return h.dispatch.Lend(ctx, p) }
func (h *house) TakeBack(ctx context.Context, p string) error { return h.dispatch.TakeBack(ctx, p) }

func (h *house) Pause(ctx context.Context, p string) error  { return h.dispatch.Pause(ctx, p) }
func (h *house) Resume(ctx context.Context, p string) error { return h.dispatch.Resume(ctx, p) }

func (h *house) Loaded(ctx context.Context, printer string, l web.Loaded) error {
	return h.dispatch.Loaded(ctx, printer, l.Spool, dispatch.Fit{Material: l.Material, Colour: l.Colour, Grams: l.Grams})
}

func (h *house) Emergency(ctx context.Context, printer, cause string) error {
	return h.dispatch.Emergency(ctx, printer, cause)
}

func (h *house) Stop(ctx context.Context, printer, cause string) error {
	return h.dispatch.Stop(ctx, printer, cause)
}

func (h *house) Cool(ctx context.Context) ([]web.Cooled, error) {
	var out []web.Cooled
	for _, c := range h.dispatch.Cool(ctx) {
		v := web.Cooled{Printer: c.Printer, OK: c.Err == nil, Text: "every target is zero, as its firmware reports"}
		if c.Err != nil {
			v.Text = c.Err.Error()
		}
		out = append(out, v)
	}
	return out, nil
}

func (h *house) Fit(ctx context.Context, printer string, f web.Fit) error {
	return h.dispatch.Fit(ctx, printer, dispatch.Fit(f))
}

func (h *house) Service(ctx context.Context, printer string, s web.Service) error {
	return h.dispatch.Service(ctx, printer, s.Out, s.Reason)
}

func (h *house) SetHours(ctx context.Context, hours web.Hours) error {
	return h.dispatch.SetHours(ctx, hours.Home, hours.Cold)
}

func findings(list []queue.FileWarning) []web.Finding {
	out := make([]web.Finding, len(list))
	for i, f := range list {
		out[i] = web.Finding(f)
	}
	return out
}

// label is what a warning says in one line.
func label(f queue.FileWarning) string {
	if f.Line > 0 {
		return fmt.Sprintf("line %d: %s", f.Line, f.Text)
	}
	return f.Text
}
