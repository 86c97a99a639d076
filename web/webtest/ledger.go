package webtest

import (
	"context"
	"fmt"
	"io"
	"strings"

	"undercroft/queue"
	"undercroft/web"
)

// lantern is the one build of the house of paper.
func lantern() web.Build {
	rib := queue.Progress{Count: queue.Count{Wanted: 8, Good: 5, Running: 1, Waiting: 1, Missing: 1}, HoursDone: 11, HoursLeft: 6, GramsUsed: 310, GramsLeft: 180}
	tip := queue.Progress{Count: queue.Count{Wanted: 1, Missing: 1}, Unknown: 1}
	sum := queue.Progress{Count: queue.Count{Wanted: 9, Good: 5, Running: 1, Waiting: 1, Missing: 2}, HoursDone: 11, HoursLeft: 6, GramsUsed: 310, GramsLeft: 180, Unknown: 1}
	return web.Build{Name: "Heron", Priority: "normal", Progress: sum, Assemblies: []web.Assembly{{Name: "Left wing", Progress: sum, Parts: []web.Part{
		{Name: "Wing rib", Priority: "first", Progress: rib, Ways: []web.Way{{Sections: []string{}, Files: []web.WayFile{
			{File: "wing-ribs.gcode", Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.2, Material: "PETG", EstimateS: 9360, MassG: 84, Yields: []web.Yield{{Part: "Wing rib", Assembly: "Left wing", Count: 4}, {Part: "Foot", Assembly: "Legs", Count: 2}},
				HeightMM: 42, WidthMM: 180, Outline: Outline("ribs")}}}}},
		{Name: "Wing tip, left", Mirror: "Wing tip, right", Progress: tip, Ways: []web.Way{{Name: "two halves", Sections: []string{"upper", "lower"}, Seam: "glue along the spar", Files: []web.WayFile{}}}},
	}}}}
}

// Builds follows web.Ledger.
func (h *House) Builds(context.Context) ([]web.Build, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	b := h.build
	b.Assemblies = nil
	return []web.Build{b}, h.fail
}

// Build knows the one build.
func (h *House) Build(_ context.Context, name string) (web.Build, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return web.Build{}, h.fail
	}
	if !strings.EqualFold(name, h.build.Name) {
		return web.Build{}, fmt.Errorf("there is no build %s: %w", name, queue.ErrNotFound)
	}
	return h.build, nil
}

// note records a call that changes nothing here.
func (h *House) note(format string, args ...any) error {
	end, err := h.begin(format, args...)
	end()
	return err
}

func said(s *string) string {
	if s == nil {
		return "-"
	}
	return fmt.Sprintf("%q", *s)
}

// CreateBuild follows web.Ledger; there is a Heron already.
func (h *House) CreateBuild(_ context.Context, r web.BuildRequest) error {
	if strings.EqualFold(r.Name, "Heron") {
		return fmt.Errorf("there is a build %s already: %w", r.Name, queue.ErrConflict)
	}
	return h.note("create-build %s due=%s", r.Name, said(r.Due))
}

// ChangeBuild follows web.Ledger.
func (h *House) ChangeBuild(_ context.Context, r web.BuildRequest) error {
	return h.note("change-build %s priority=%s not-before=%s due=%s", r.Name, said(r.Priority), said(r.NotBefore), said(r.Due))
}

// ChangeAssembly follows web.Ledger.
func (h *House) ChangeAssembly(_ context.Context, r web.AssemblyRequest) error {
	return h.note("change-assembly %s/%s due=%s", r.Build, r.Name, said(r.Due))
}

// ChangePart knows the wing rib.
func (h *House) ChangePart(_ context.Context, r web.PartRequest) error {
	if !strings.HasPrefix(strings.ToLower(r.Part), "wing") {
		return fmt.Errorf("there is no part %s: %w", r.Part, queue.ErrNotFound)
	}
	wanted := "-"
	if r.Wanted != nil {
		wanted = fmt.Sprint(*r.Wanted)
	}
	return h.note("change-part %s wanted=%s priority=%s due=%s mirror=%s", r.Part, wanted, said(r.Priority), said(r.Due), said(r.Mirror))
}

// ChangeWay follows web.Ledger.
func (h *House) ChangeWay(_ context.Context, r web.WayRequest) error {
	return h.note("change-way %s %q seam=%s", r.Part, r.Way, said(r.Seam))
}

// Bad knows five good ribs.
func (h *House) Bad(_ context.Context, r web.BadRequest) ([]web.Piece, error) {
	if r.Number > 5 {
		return nil, fmt.Errorf("no good piece of this part has the number %d: %w", r.Number, queue.ErrNotFound)
	}
	return []web.Piece{{Place: 1, State: "reopened", Label: queue.Label{Part: r.Part, Number: r.Number, Of: 8, Assembly: "Left wing"}}}, h.note("bad %s %d %q", r.Part, r.Number, r.Why)
}

// PartsIn finds the third line bad when there is one.
func (h *House) PartsIn(_ context.Context, r web.PartsRequest, body io.Reader) (web.PartsReport, error) {
	text, err := io.ReadAll(body)
	if err != nil {
		return web.PartsReport{}, err
	}
	lines := strings.Count(string(text), "\n") - 1
	rep := web.PartsReport{Lines: lines, Taken: lines, Columns: []web.Column{{Header: "Part", Is: "part"}, {Header: "Qty", Is: "wanted"}, {Header: "Paint"}}, Read: "UTF-8, columns separated by commas"}
	if lines > 1 {
		rep.Bad = []web.BadLine{{Line: 3, Text: "wanted: -1 is less than none; there is no printer 'Crake' here; there are Bittern, Merel"}}
		rep.Taken = lines - 1
		if !r.TakeGood {
			rep.Taken = 0
		}
	}
	if r.DryRun {
		rep.Taken = 0
		return rep, nil
	}
	return rep, h.note("parts-in %q take-good=%t %d lines", r.Build, r.TakeGood, lines)
}

// PartsOut follows web.Ledger.
func (h *House) PartsOut(_ context.Context, build string, to io.Writer) error {
	if !strings.EqualFold(build, "Heron") {
		return fmt.Errorf("there is no build %s: %w", build, queue.ErrNotFound)
	}
	_, err := io.WriteString(to, "Part,Qty,Paint\r\nWing rib,8,grey\r\n")
	return err
}

// Again follows web.Ledger.
func (h *House) Again(_ context.Context, id int64) (int64, error) {
	if _, err := h.known(id); err != nil {
		return 0, err
	}
	return 101, h.note("again %d", id)
}

func (h *House) known(id int64) (*web.Job, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.job(id)
}

// Order follows web.Ledger.
func (h *House) Order(_ context.Context, r web.OrderRequest) error {
	return h.note("order %v free=%t", r.Jobs, r.Free)
}

// Confine follows web.Ledger.
func (h *House) Confine(_ context.Context, id int64, r web.ConfineRequest) error {
	j, err := h.known(id)
	if err != nil {
		return err
	}
	if j.State == "running" {
		return fmt.Errorf("job %d is %s; where it runs is settled: %w", id, j.State, queue.ErrConflict)
	}
	return h.note("confine %d only=%v not=%v", id, r.OnlyOn, r.NotOn)
}

// Yield follows web.Ledger.
func (h *House) Yield(_ context.Context, id int64, y web.Yielded) error {
	return h.note("yield %d %s", id, yieldedWords(y))
}

func yieldedWords(y web.Yielded) string {
	good := "all"
	if y.Good != nil {
		good = fmt.Sprint(*y.Good)
	}
	return fmt.Sprintf("good=%s bad=%v", good, y.Bad)
}

// AddByHand follows web.Ledger.
func (h *House) AddByHand(_ context.Context, r web.ByHandRequest) (web.Added, error) {
	return web.Added{JobIDs: []int64{102}, SHA256: strings.Repeat("1e", 32), EstimateS: r.Hours * 3600, MassG: r.Grams, Material: r.Material}, h.note("by-hand %s", r.Part)
}

// Begin follows web.Ledger.
func (h *House) Begin(_ context.Context, id int64, printer string) error {
	return h.note("begin %d on %s", id, printer)
}

// End follows web.Ledger.
func (h *House) End(_ context.Context, id int64, y web.Yielded) error {
	return h.note("end %d %s", id, yieldedWords(y))
}
