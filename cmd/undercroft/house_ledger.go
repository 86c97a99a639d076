package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"undercroft/queue"
	"undercroft/queue/intake"
	"undercroft/queue/store"
	"undercroft/web"
)

func (h *house) zone() *time.Location { return h.config().House.Location }

// Builds lists every build with its progress; what belongs to none only when
// there is something.
func (h *house) Builds(ctx context.Context) ([]web.Build, error) {
	list, err := h.store.Builds(ctx)
	if err != nil {
		return nil, err
	}
	var out []web.Build
	for _, b := range list {
		l, err := h.store.Ledger(ctx, b.ID)
		if err != nil {
			return nil, err
		}
		if b.ID == queue.LooseBuild && len(l.Parts) == 0 {
			continue
		}
		v := buildView(&l, h.clock.Now(), h.zone())
		v.Assemblies = nil
		out = append(out, v)
	}
	return out, nil
}

func (h *house) Build(ctx context.Context, name string) (web.Build, error) {
	b, err := h.store.FindBuild(ctx, strings.TrimSpace(name))
	if err != nil {
		return web.Build{}, err
	}
	l, err := h.store.Ledger(ctx, b.ID)
	if err != nil {
		return web.Build{}, err
	}
	return buildView(&l, h.clock.Now(), h.zone()), nil
}

func optional(t time.Time, zone *time.Location) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.In(zone)
	return &t
}

func buildView(l *queue.Ledger, now time.Time, zone *time.Location) web.Build {
	p := l.Progress(now)
	names := map[int64]string{}
	for _, part := range l.Parts {
		names[part.ID] = part.Name
	}
	out := web.Build{Name: p.Build.Name, Priority: string(p.Build.Priority), NotBefore: optional(p.Build.NotBefore, zone), Due: optional(p.Build.Due, zone), Note: p.Build.Note, Progress: p.Progress}
	for _, a := range p.Assemblies {
		av := web.Assembly{Name: a.Assembly.Name, Due: optional(a.Assembly.Due, zone), Progress: a.Progress}
		for _, part := range a.Parts {
			av.Parts = append(av.Parts, web.Part{
				Name: part.Part.Name, Counted: part.Part.Counted, Priority: string(part.Part.Priority), NotBefore: optional(part.Part.NotBefore, zone),
				Due: optional(part.Part.Due, zone), Mirror: names[part.Part.MirrorOf], Note: part.Part.Note, Progress: part.Progress, Ways: wayViews(l, part.Part.ID),
			})
		}
		out.Assemblies = append(out.Assemblies, av)
	}
	return out
}

// wayViews lists the ways of a part that anything is known of.
func wayViews(l *queue.Ledger, partID int64) []web.Way {
	out := []web.Way{}
	for i := range l.Ways {
		w := &l.Ways[i]
		if w.PartID != partID || len(w.Sections) == 0 && w.Name == "" {
			continue
		}
		v := web.Way{Name: w.Name, Sections: []string{}, Seam: w.Seam, NozzleMM: w.NozzleMM, LayerMM: w.LayerMM, Note: w.Note, Files: []web.WayFile{}}
		if len(w.Sections) > 0 && w.Sections[0] != "" {
			v.Sections = w.Sections
		}
		for k := range l.Prints {
			p := &l.Prints[k]
			mine := false
			for _, y := range p.Yields {
				mine = mine || y.WayID == w.ID
			}
			if mine {
				v.Files = append(v.Files, web.WayFile{File: p.FileName, SHA256: p.File.SHA256, Kind: p.Kind, NozzleMM: p.NozzleMM, LayerMM: p.File.LayerMM, Material: p.Material,
					Colour: p.Colour, EstimateS: p.File.EstimateS, MassG: p.File.MassG, Yields: yieldViews(p.Yields),
					HeightMM: p.File.HeightMM, WidthMM: p.File.SizeMM()[0], Outline: p.File.Outline})
			}
		}
		out = append(out, v)
	}
	return out
}

func yieldViews(list []queue.Yield) []web.Yield {
	out := make([]web.Yield, len(list))
	for i, y := range list {
		out[i] = web.Yield{Part: y.Part, Assembly: y.Assembly, Way: y.Way, Section: y.SectionN, Count: y.Count}
	}
	return out
}

func pieceViews(list []queue.Piece) []web.Piece {
	var out []web.Piece
	for _, c := range list {
		out = append(out, web.Piece{Place: c.Place, State: string(c.State), Label: c.Label, Write: c.Label.Lines()})
	}
	return out
}

// day reads an optional date; nil stays nil.
func (h *house) day(text *string, end bool) (*time.Time, error) {
	if text == nil {
		return nil, nil
	}
	t, err := queue.ParseDay(*text, h.zone(), end)
	return &t, err
}

func priority(text *string, mayBeEmpty bool) (*queue.Priority, error) {
	switch {
	case text == nil:
		return nil, nil
	case mayBeEmpty && strings.TrimSpace(*text) == "":
		return new(queue.Priority), nil
	}
	p, err := queue.ParsePriority(*text)
	return &p, err
}

func (h *house) buildChange(r *web.BuildRequest) (c store.BuildChange, err error) {
	if c.Priority, err = priority(r.Priority, false); err != nil {
		return c, err
	}
	if c.NotBefore, err = h.day(r.NotBefore, false); err != nil {
		return c, err
	}
	c.Due, err = h.day(r.Due, true)
	c.Note = r.Note
	return c, err
}

func (h *house) CreateBuild(ctx context.Context, r web.BuildRequest) error {
	c, err := h.buildChange(&r)
	if err != nil {
		return err
	}
	_, err = h.store.CreateBuild(ctx, strings.TrimSpace(r.Name), c)
	return err
}

func (h *house) ChangeBuild(ctx context.Context, r web.BuildRequest) error {
	c, err := h.buildChange(&r)
	if err != nil {
		return err
	}
	b, err := h.store.FindBuild(ctx, strings.TrimSpace(r.Name))
	if err != nil {
		return err
	}
	return h.dispatch.Change(ctx, func() ([]queue.Job, error) { return h.store.ChangeBuild(ctx, b.ID, c) })
}

func (h *house) ChangeAssembly(ctx context.Context, r web.AssemblyRequest) error {
	due, err := h.day(r.Due, true)
	if err != nil {
		return err
	}
	b, err := h.store.FindBuild(ctx, strings.TrimSpace(r.Build))
	if err != nil {
		return err
	}
	l, err := h.store.Ledger(ctx, b.ID)
	if err != nil {
		return err
	}
	for _, a := range l.Assemblies {
		if strings.EqualFold(a.Name, strings.TrimSpace(r.Name)) && due != nil {
			return h.dispatch.Change(ctx, func() ([]queue.Job, error) { return h.store.SetAssemblyDue(ctx, a.ID, *due) })
		}
	}
	return fmt.Errorf("there is no assembly %s in the build %s: %w", r.Name, r.Build, queue.ErrNotFound)
}

func (h *house) part(ctx context.Context, n web.PartName) (queue.Part, error) {
	return h.store.FindPart(ctx, strings.TrimSpace(n.Build), strings.TrimSpace(n.Assembly), strings.TrimSpace(n.Part))
}

func (h *house) ChangePart(ctx context.Context, r web.PartRequest) error {
	p, err := h.part(ctx, r.PartName)
	if err != nil {
		return err
	}
	c := store.PartChange{Wanted: r.Wanted, Note: r.Note}
	if c.Priority, err = priority(r.Priority, true); err != nil {
		return err
	}
	if c.NotBefore, err = h.day(r.NotBefore, false); err != nil {
		return err
	}
	if c.Due, err = h.day(r.Due, true); err != nil {
		return err
	}
	if r.Mirror != nil {
		c.MirrorOf = new(int64)
		if name := strings.TrimSpace(*r.Mirror); name != "" {
			other, err := h.store.FindPart(ctx, strings.TrimSpace(r.Build), "", name)
			if err != nil {
				return err
			}
			c.MirrorOf = &other.ID
		}
	}
	return h.dispatch.Change(ctx, func() ([]queue.Job, error) { return h.store.ChangePart(ctx, p.ID, c) })
}

func (h *house) ChangeWay(ctx context.Context, r web.WayRequest) error {
	p, err := h.part(ctx, r.PartName)
	if err != nil {
		return err
	}
	return h.store.ChangeWay(ctx, p.ID, strings.TrimSpace(r.Way), store.WayChange{Seam: r.Seam, NozzleMM: r.NozzleMM, LayerMM: r.LayerMM, Note: r.Note})
}

func (h *house) Bad(ctx context.Context, r web.BadRequest) ([]web.Piece, error) {
	p, err := h.part(ctx, r.PartName)
	if err != nil {
		return nil, err
	}
	var list []queue.Piece
	err = h.dispatch.Change(ctx, func() (_ []queue.Job, err error) {
		list, err = h.store.Reopen(ctx, p.ID, r.Number, strings.TrimSpace(r.Section), r.Why)
		return nil, err
	})
	return pieceViews(list), err
}

func (h *house) Again(ctx context.Context, jobID int64) (int64, error) {
	j, err := h.dispatch.Again(ctx, jobID)
	return j.ID, err
}

func (h *house) Order(ctx context.Context, r web.OrderRequest) error {
	return h.dispatch.Order(ctx, r.Jobs, r.Free)
}

func (h *house) Confine(ctx context.Context, jobID int64, r web.ConfineRequest) error {
	return h.dispatch.Confine(ctx, jobID, r.OnlyOn, r.NotOn)
}

func yielded(y web.Yielded) store.Yield {
	return store.Yield{Good: y.Good, Bad: y.Bad, BadFromMM: y.BadFrom}
}

func (h *house) Yield(ctx context.Context, jobID int64, y web.Yielded) error {
	return h.dispatch.Yield(ctx, jobID, yielded(y))
}

func (h *house) Begin(ctx context.Context, jobID int64, printer string) error {
	return h.dispatch.Begin(ctx, jobID, printer)
}

func (h *house) End(ctx context.Context, jobID int64, y web.Yielded) error {
	return h.dispatch.EndByHand(ctx, jobID, yielded(y))
}

func (h *house) AddByHand(ctx context.Context, r web.ByHandRequest) (web.Added, error) {
	added, err := h.intake.AddByHand(ctx, intake.ByHand{
		Part: r.Part, Assembly: r.Assembly, Build: r.Build, Way: r.Way, Mirror: r.Mirror, Material: r.Material,
		Count: r.Count, Pieces: r.Pieces, Hours: r.Hours, Grams: r.Grams, OnHold: r.OnHold,
	})
	return h.added(added), err
}

// added takes in new jobs and says what they are.
func (h *house) added(a intake.Added) web.Added {
	if a.File == nil {
		return web.Added{}
	}
	h.dispatch.Added(a.Jobs)
	f := a.File
	out := web.Added{
		SHA256: f.SHA256, Known: a.Known, EstimateS: f.EstimateS, MassG: f.MassG, NozzleMM: a.Print.NozzleMM, Material: a.Print.Material,
		Layers: f.LayerCount, HeightMM: f.HeightMM, Warnings: findings(f.Warnings),
	}
	for _, j := range a.Jobs {
		out.JobIDs = append(out.JobIDs, j.ID)
	}
	return out
}

func (h *house) PartsIn(ctx context.Context, r web.PartsRequest, body io.Reader) (web.PartsReport, error) {
	rep, err := h.lists().In(ctx, body, intake.ListOptions{Build: strings.TrimSpace(r.Build), TakeGood: r.TakeGood, DryRun: r.DryRun})
	if err != nil {
		return web.PartsReport{}, err
	}
	h.dispatch.Added(rep.Jobs)
	out := web.PartsReport{Taken: rep.Taken, Lines: rep.Lines, Read: rep.Read}
	for _, c := range rep.Columns {
		out.Columns = append(out.Columns, web.Column(c))
	}
	for _, b := range rep.Bad {
		out.Bad = append(out.Bad, web.BadLine(b))
	}
	return out, nil
}

func (h *house) PartsOut(ctx context.Context, build string, to io.Writer) error {
	return h.lists().Out(ctx, strings.TrimSpace(build), to, h.clock.Now())
}

// lists reads and writes the person's own lists of parts.
func (h *house) lists() *intake.Lists {
	l := &intake.Lists{Intake: h.intake, Zone: h.zone(), Printers: map[string]bool{}}
	for _, p := range h.config().Printers {
		l.Printers[p.Name] = p.Kind == queue.ByHand
	}
	return l
}

// inbox takes files from the configured folder.
func (h *house) inbox(log *slog.Logger) *intake.Inbox {
	return &intake.Inbox{Dir: h.config().House.Inbox, Intake: h.intake, Lists: h.lists(), Added: h.dispatch.Added, Log: log}
}
