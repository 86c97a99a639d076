// Package webtest is a house of paper: a web.House that keeps everything in
// memory, for tests of what stands before the real one.
package webtest

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// House answers from a View that a test can change.
type House struct {
	mu    sync.Mutex
	view  web.View
	done  []web.Job // those that have ended
	reels []web.Reel
	build web.Build
	calls []string
	fail  error
	subs  map[chan struct{}]struct{}
}

// New is the house at the given instant, as Scene draws it.
func New(at time.Time) *House {
	return &House{view: Scene(at), reels: reels(), build: lantern(), subs: map[chan struct{}]struct{}{}}
}

// SetBuild puts another build in the place of the one that there is.
func (h *House) SetBuild(b web.Build) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.build = b
	h.tell()
}

// Change edits the view and tells the subscribers.
func (h *House) Change(edit func(*web.View)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	edit(&h.view)
	h.tell()
}

func (h *House) tell() {
	for c := range h.subs {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// FailWith makes every later call fail with err, until it is nil again.
func (h *House) FailWith(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.fail = err
}

// Calls lists what changed something, in order, as "verb subject {…}".
func (h *House) Calls() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.calls)
}

// Subscribers counts the open subscriptions.
func (h *House) Subscribers() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.subs)
}

// View is a deep enough copy: entities are copied, their insides are shared and
// only ever replaced.
func (h *House) View(context.Context) (web.View, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return web.View{}, h.fail
	}
	v := h.view
	v.Printers = slices.Clone(v.Printers)
	v.Jobs = slices.Clone(v.Jobs)
	v.Circuits = slices.Clone(v.Circuits)
	v.Mishaps = slices.Clone(v.Mishaps)
	return v, nil
}

// Subscribe follows web.House.
func (h *House) Subscribe() (<-chan struct{}, func()) {
	c := make(chan struct{}, 1)
	h.mu.Lock()
	h.subs[c] = struct{}{}
	h.mu.Unlock()
	return c, func() {
		h.mu.Lock()
		delete(h.subs, c)
		h.mu.Unlock()
	}
}

// begin notes a call and holds the house until the returned function is called,
// which tells the subscribers.
func (h *House) begin(format string, args ...any) (func(), error) {
	h.mu.Lock()
	h.calls = append(h.calls, fmt.Sprintf(format, args...))
	if h.fail != nil {
		defer h.mu.Unlock()
		return func() {}, h.fail
	}
	return func() { h.tell(); h.mu.Unlock() }, nil
}

func (h *House) printer(name string) (*web.Printer, error) {
	for i := range h.view.Printers {
		if strings.EqualFold(h.view.Printers[i].Name, name) {
			return &h.view.Printers[i], nil
		}
	}
	return nil, fmt.Errorf("no printer is called %q: %w", name, queue.ErrNotFound)
}

func (h *House) job(id int64) (*web.Job, error) {
	for i := range h.view.Jobs {
		if h.view.Jobs[i].ID == id {
			return &h.view.Jobs[i], nil
		}
	}
	return nil, fmt.Errorf("there is no job %d: %w", id, queue.ErrNotFound)
}

// Add takes what begins with ';' or 'G' and refuses the rest.
func (h *House) Add(_ context.Context, req web.AddRequest, body io.Reader) (web.Added, error) {
	head := make([]byte, 1)
	if _, err := io.ReadFull(body, head); err != nil && err != io.EOF {
		return web.Added{}, err
	}
	n, err := io.Copy(io.Discard, body)
	if err != nil {
		return web.Added{}, fmt.Errorf("reading %s: %v", req.FileName, err)
	}
	end, err := h.begin("add %s %+v %d bytes", req.FileName, req, n+1)
	defer end()
	if err != nil {
		return web.Added{}, err
	}
	if !strings.ContainsAny(string(head), ";G") {
		return web.Added{}, &web.Refusal{File: req.FileName, Findings: []web.Finding{
			{Code: "not-gcode", Line: 1, Text: "the first line is not G-code; slice the model first"},
			{Code: "beyond-build-volume", Line: 88, Text: "X 312 mm is beyond the bed, which ends at 300 mm"},
		}}
	}
	part := req.Part
	if part == "" {
		part = strings.TrimSuffix(req.FileName, ".gcode")
	}
	added := web.Added{SHA256: strings.Repeat("5e", 32), EstimateS: 9360, MassG: 84, NozzleMM: 0.4, Material: "PETG", Layers: 310, HeightMM: 62,
		Warnings: []web.Finding{{Code: "thick-layer", Line: 12, Text: "0.34 mm layers are more than 80 % of a 0.4 mm nozzle"}}}
	for range max(1, req.Count) {
		id := int64(100 + len(h.view.Jobs))
		h.view.Jobs = append(h.view.Jobs, web.Job{ID: id, State: "queued", Part: part, Assembly: req.Assembly, File: req.FileName,
			Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.2, Material: "PETG", SizeMM: [3]float64{80, 60, 62}, EstimateS: 9360, MassG: 84, Pieces: max(1, req.Pieces),
			Note: "waits for a printer that suits"})
		added.JobIDs = append(added.JobIDs, id)
		h.view.Tally.JobsWaiting++
	}
	return added, nil
}

// Jobs lists the queue, and the ended ones too when all is set.
func (h *House) Jobs(_ context.Context, all bool) ([]web.Job, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return nil, h.fail
	}
	jobs := slices.Clone(h.view.Jobs)
	if all {
		jobs = append(jobs, h.done...)
	}
	return jobs, nil
}

// Why gives the same few obstacles for every job.
func (h *House) Why(_ context.Context, id int64) (web.Why, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return web.Why{}, h.fail
	}
	job, err := h.job(id)
	if err != nil {
		return web.Why{}, err
	}
	return web.Why{Job: *job, Summary: "No printer can take it now; Dunlin could after a nozzle change.", Printers: []web.WhyPrinter{
		{Printer: "Bittern", Obstacles: []web.Obstacle{{Code: "kind", Text: "sliced for fen-small, Bittern is fen-large"}, {Code: "busy", Text: "prints 'Body shell, left' until 21:40"}}},
		{Printer: "Curlew", Obstacles: []web.Obstacle{{Code: "plate", Text: "its plate is not clear", Remedy: "clear it and say so: undercroft cleared Curlew"}}},
		{Printer: "Dunlin", Obstacles: []web.Obstacle{{Code: "nozzle", Text: "needs 0.8 mm nozzle, 0.4 is fitted", Remedy: "fit the 0.8 mm nozzle on Dunlin"}}},
		{Printer: "Egret", Obstacles: []web.Obstacle{{Code: "absent", Text: "does not answer", Remedy: "look at its cable and its power"}}},
		{Printer: "Merel"},
	}}, nil
}

// Hold follows web.House.
func (h *House) Hold(_ context.Context, id int64) error {
	return h.move("hold", id, "queued", "on-hold", "held back")
}

// Release follows web.House.
func (h *House) Release(_ context.Context, id int64) error {
	return h.move("release", id, "on-hold", "queued", "waits for a printer that suits")
}

func (h *House) move(verb string, id int64, from, to, note string) error {
	end, err := h.begin("%s %d", verb, id)
	defer end()
	if err != nil {
		return err
	}
	job, err := h.job(id)
	if err != nil {
		return err
	}
	if job.State != from {
		return fmt.Errorf("job %d is %s, not %s: %w", id, job.State, from, queue.ErrConflict)
	}
	job.State, job.Note = to, note
	return nil
}

// Cancel follows web.House.
func (h *House) Cancel(_ context.Context, id int64) error {
	end, err := h.begin("cancel %d", id)
	defer end()
	if err != nil {
		return err
	}
	return h.drop(id, "cancelled")
}

func (h *House) drop(id int64, state string) error {
	job, err := h.job(id)
	if err != nil {
		return err
	}
	if job.State == "running" {
		return fmt.Errorf("job %d is running on %s; stop the printer first: %w", id, job.Printer, queue.ErrConflict)
	}
	job.State = state
	h.done = append(h.done, *job)
	h.view.Jobs = slices.DeleteFunc(h.view.Jobs, func(j web.Job) bool { return j.ID == id })
	return nil
}

// Decide follows web.House.
func (h *House) Decide(_ context.Context, id int64, d web.Decision) error {
	end, err := h.begin("decide %d %+v", id, d)
	defer end()
	if err != nil {
		return err
	}
	job, err := h.job(id)
	if err != nil {
		return err
	}
	if job.State != "needs-decision" {
		return fmt.Errorf("job %d is %s; there is nothing to decide: %w", id, job.State, queue.ErrConflict)
	}
	h.view.Mishaps = slices.DeleteFunc(h.view.Mishaps, func(m web.Mishap) bool { return m.JobID == id })
	h.view.Tally.JobsDecision--
	if d.Again {
		job.State, job.Note = "queued", "waits for a printer that suits"
		h.view.Tally.JobsWaiting++
		return nil
	}
	return h.drop(id, "cancelled")
}

// Reprint follows web.House: the figures are of no file.
func (h *House) Reprint(_ context.Context, id int64, r web.ReprintRequest) (web.Reprint, error) {
	end, err := h.begin("reprint %d %+v", id, r)
	if err != nil {
		return web.Reprint{}, err
	}
	defer end()
	rep := reprinted(r)
	if r.Confirm {
		job, err := h.job(id)
		if err != nil {
			return web.Reprint{}, err
		}
		rest := *job
		rest.ID, rest.State, rest.RemainderOf, rest.Printer, rest.Note = 130, "queued", id, "", "prints what is missing of job "+fmt.Sprint(id)
		h.view.Jobs = append(slices.DeleteFunc(h.view.Jobs, func(j web.Job) bool { return j.ID == id }), rest)
		h.view.Mishaps = slices.DeleteFunc(h.view.Mishaps, func(m web.Mishap) bool { return m.JobID == id })
		rep.JobID = rest.ID
	}
	return rep, nil
}

// Joined follows web.House.
func (h *House) Joined(_ context.Context, id int64, j web.Joined) error {
	end, err := h.begin("joined %d %+v", id, j)
	if err != nil {
		return err
	}
	end()
	return nil
}

// Mishaps follows web.House.
func (h *House) Mishaps(context.Context) ([]web.Mishap, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return nil, h.fail
	}
	return slices.Clone(h.view.Mishaps), nil
}

// Cleared follows web.House: the plate becomes clear and the next start counts
// down.
func (h *House) Cleared(_ context.Context, name string, c web.Cleared) error {
	good := "all"
	if c.Good != nil {
		good = fmt.Sprint(*c.Good)
	}
	if len(c.Bad) > 0 {
		good = fmt.Sprint("bad=", c.Bad)
	} else {
		good = "good=" + good
	}
	end, err := h.begin("cleared %s empty=%t seated=%t surface=%q %s", name, c.Empty, c.Seated, c.Surface, good)
	defer end()
	if err != nil {
		return err
	}
	p, err := h.printer(name)
	if err != nil {
		return err
	}
	if p.Plate.State == "clear" {
		return fmt.Errorf("the plate of %s is clear already: %w", p.Name, queue.ErrConflict)
	}
	if !c.Empty || !c.Seated {
		return fmt.Errorf("a plate is clear when it is empty and seated: %w", queue.ErrInvalid)
	}
	h.view.Jobs = slices.DeleteFunc(h.view.Jobs, func(j web.Job) bool { return j.ID == p.Plate.JobID })
	p.Plate = web.Plate{Surface: p.Plate.Surface, State: "clear", Since: h.view.At}
	if c.Surface != "" {
		p.Plate.Surface = c.Surface
	}
	start := h.view.At.Add(time.Minute)
	p.NextJob, p.NextStart, p.Why, p.WaitsFor = 46, &start, "starts job 46 in a minute", ""
	return nil
}

// NotYet follows web.House.
func (h *House) NotYet(_ context.Context, name string) error {
	return h.on("not-yet", name, "", func(p *web.Printer) error {
		if p.NextStart == nil {
			return fmt.Errorf("nothing counts down on %s: %w", p.Name, queue.ErrConflict)
		}
		p.NextJob, p.NextStart = 0, nil
		p.Plate.State, p.Plate.Question = "unknown", "Is the plate clear?"
		p.Why, p.WaitsFor = "waits for its plate to be cleared", "person"
		return nil
	})
}

func (h *House) on(verb, name, what string, do func(*web.Printer) error) error {
	end, err := h.begin("%s", strings.TrimSpace(verb+" "+name+" "+what))
	defer end()
	if err != nil {
		return err
	}
	p, err := h.printer(name)
	if err != nil {
		return err
	}
	return do(p)
}

// Lend follows web.House.
func (h *House) Lend(_ context.Context, name string) error {
	return h.on("lend", name, "", func(p *web.Printer) error {
		if p.Run != nil {
			return fmt.Errorf("%s is printing; stop it first: %w", p.Name, queue.ErrConflict)
		}
		p.Phase, p.Why, p.WaitsFor = "lent", "a person drives it", "person"
		return nil
	})
}

// TakeBack follows web.House.
func (h *House) TakeBack(_ context.Context, name string) error {
	return h.on("take-back", name, "", func(p *web.Printer) error {
		if p.Phase != "lent" {
			return fmt.Errorf("%s is not lent: %w", p.Name, queue.ErrConflict)
		}
		p.Phase, p.Plate.State, p.Plate.Question = "ready", "unknown", "Is the plate clear?"
		return nil
	})
}

// Pause follows web.House.
func (h *House) Pause(_ context.Context, name string) error {
	return h.on("pause", name, "", func(p *web.Printer) error {
		if p.Run == nil || p.Held != nil {
			return fmt.Errorf("no run goes on on %s: %w", p.Name, queue.ErrConflict)
		}
		p.Phase, p.Held = "paused", &web.Held{By: "person", Since: h.view.At, Step: "parks"}
		return nil
	})
}

// Resume follows web.House.
func (h *House) Resume(_ context.Context, name string) error {
	return h.on("resume", name, "", goOn)
}

// Loaded follows web.House.
func (h *House) Loaded(_ context.Context, name string, l web.Loaded) error {
	given, err := json.Marshal(l)
	if err != nil {
		return err
	}
	return h.on("loaded", name, string(given), goOn)
}

func goOn(p *web.Printer) error {
	if p.Held == nil {
		return fmt.Errorf("no run is held on %s: %w", p.Name, queue.ErrConflict)
	}
	p.Phase, p.Held = "printing", nil
	return nil
}

// Emergency follows web.House; what is absent cannot be stopped from here.
func (h *House) Emergency(_ context.Context, name, cause string) error {
	return h.on("emergency", name, cause, func(p *web.Printer) error {
		if p.Phase == "absent" {
			return fmt.Errorf("%s: there is no link to it. Pull the plug: %w", p.Name, queue.ErrUnavailable)
		}
		p.Run, p.Held, p.Phase = nil, nil, "faulted"
		return nil
	})
}

// Stop follows web.House.
func (h *House) Stop(_ context.Context, name, cause string) error {
	return h.on("stop", name, cause, func(p *web.Printer) error {
		if p.Run == nil {
			return fmt.Errorf("nothing runs on %s: %w", p.Name, queue.ErrConflict)
		}
		p.Run, p.Phase = nil, "cooling"
		return nil
	})
}

// Cool follows web.House; Egret does not answer.
func (h *House) Cool(context.Context) ([]web.Cooled, error) {
	end, err := h.begin("cool")
	defer end()
	if err != nil {
		return nil, err
	}
	var all []web.Cooled
	for i := range h.view.Printers {
		p := &h.view.Printers[i]
		if p.Phase == "absent" {
			all = append(all, web.Cooled{Printer: p.Name, Text: "does not answer; switch it off at the wall if it may be hot"})
			continue
		}
		heaters := slices.Clone(p.Heaters)
		for j := range heaters {
			heaters[j].TargetC = 0
		}
		p.Heaters = heaters
		all = append(all, web.Cooled{Printer: p.Name, OK: true, Text: "every heater target is zero"})
	}
	return all, nil
}

// Reload follows web.House.
func (h *House) Reload(context.Context) (web.Reloaded, error) {
	end, err := h.begin("reload")
	defer end()
	return web.Reloaded{Changed: []string{"title"}, Restart: []string{"listen: the pages are open there"}}, err
}

// Fit follows web.House.
func (h *House) Fit(_ context.Context, name string, f web.Fit) error {
	what, err := json.Marshal(f)
	if err != nil {
		return err
	}
	return h.on("fit", name, string(what), func(p *web.Printer) error {
		if f.NozzleMM != nil {
			if *f.NozzleMM <= 0 {
				return fmt.Errorf("a nozzle of %g mm cannot be: %w", *f.NozzleMM, queue.ErrInvalid)
			}
			p.NozzleMM = *f.NozzleMM
		}
		if f.Material != nil {
			p.Spool.Material = *f.Material
		}
		if f.Colour != nil {
			p.Spool.Colour = *f.Colour
		}
		if f.Grams != nil {
			p.Spool.Grams = *f.Grams
		}
		if f.Surface != nil {
			p.Plate.Surface = *f.Surface
		}
		if f.PlateOff != nil && *f.PlateOff {
			p.Plate.State = "off"
		}
		return nil
	})
}

// Service follows web.House.
func (h *House) Service(_ context.Context, name string, s web.Service) error {
	return h.on("service", name, "", func(p *web.Printer) error {
		if p.OutOf = ""; s.Out {
			p.OutOf = s.Reason
		}
		return nil
	})
}

// SetHours follows web.House.
func (h *House) SetHours(_ context.Context, hours web.Hours) error {
	end, err := h.begin("hours home=%q cold=%q", hours.Home, hours.Cold)
	defer end()
	if err != nil {
		return err
	}
	if strings.Contains(hours.Home, "whenever") {
		return fmt.Errorf("'whenever' is not a time; write e.g. 'daily 07:00-22:00': %w", queue.ErrInvalid)
	}
	h.view.Hours = web.Hours{Answered: true, Home: hours.Home, Cold: hours.Cold, HomeNow: true}
	return nil
}
