package main

import (
	"context"
	"maps"
	"slices"
	"time"

	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/queue/store"
	"undercroft/web"
)

func (h *house) Spools(ctx context.Context, all bool) ([]web.Reel, error) {
	list, err := h.store.Spools(ctx, all)
	if err != nil {
		return nil, err
	}
	now := map[int64]queue.Spool{} // with what runs under way have drawn
	for _, p := range h.dispatch.View().Printers {
		now[p.Spool.ID] = p.Spool
	}
	out := make([]web.Reel, len(list))
	for i, r := range list {
		if live, ok := now[r.ID]; ok {
			r = live
		}
		out[i] = reelView(r)
	}
	return out, nil
}

func (h *house) Spool(ctx context.Context, number int) (web.ReelHistory, error) {
	r, events, err := h.store.SpoolHistory(ctx, number)
	if err != nil {
		return web.ReelHistory{}, err
	}
	out := web.ReelHistory{Reel: reelView(r), Events: make([]web.ReelEvent, len(events))}
	for i, e := range events {
		out.Events[i] = web.ReelEvent{At: h.local(e.At), What: e.What, Printer: e.Printer, RunID: e.RunID, ChangeG: e.ChangeG, LeftG: e.LeftG, GrossG: e.GrossG}
	}
	return out, nil
}

// local is an instant in the house's zone.
func (h *house) local(t time.Time) time.Time { return t.In(h.dispatch.View().At.Location()) }

func (h *house) AddSpool(ctx context.Context, n web.NewReel) (web.Reel, error) {
	r, err := h.dispatch.AddSpool(ctx, queue.Spool{
		Number: n.Number, Material: n.Material, Colour: n.Colour, DiameterMM: n.DiameterMM, DensityGCM3: n.DensityGCM3,
		Price: n.Price, FullG: n.FullG, TareG: n.TareG, Grams: n.LeftG,
	})
	return reelView(r), err
}

func (h *house) Weigh(ctx context.Context, number int, w web.Weighing) (web.Reel, error) {
	r, err := h.dispatch.Weigh(ctx, number, store.Weighing{GrossG: w.GrossG, NetG: w.NetG, TareG: w.TareG})
	return reelView(r), err
}

func (h *house) RetireSpool(ctx context.Context, number int) error {
	return h.dispatch.RetireSpool(ctx, number)
}

func (h *house) Load(ctx context.Context, printer string, l web.Load) error {
	return h.dispatch.Load(ctx, printer, l.Number)
}

func (h *house) Eyes(ctx context.Context, printer string, e web.Eyes) error {
	return h.dispatch.Eyes(ctx, printer, e.Good)
}

func (h *house) SetStock(ctx context.Context, s web.StockRules) error {
	k := h.dispatch.Stock()
	if s.Margin != nil {
		k.Margin = s.Margin
	}
	if s.Warn != nil {
		k.Warn = *s.Warn
	}
	if s.Margin != nil || s.Warn != nil {
		if err := h.dispatch.SetStock(ctx, k); err != nil {
			return err
		}
	}
	if s.Eyes != nil {
		return h.dispatch.SetEyes(ctx, *s.Eyes)
	}
	return nil
}

func reelView(r queue.Spool) web.Reel {
	v := web.Reel{
		Number: r.Number, Material: r.Material, Colour: r.Colour, DiameterMM: r.DiameterMM, DensityGCM3: r.DensityGCM3,
		Price: r.Price, FullG: r.FullG, TareG: r.TareG, LeftG: r.Grams, Printer: r.Printer, AddedAt: r.AddedAt,
	}
	if !r.RetiredAt.IsZero() {
		v.RetiredAt = &r.RetiredAt
	}
	return v
}

// loadedView is the reel on a printer, with where it ends when it does not last.
func loadedView(p *dispatch.PrinterView) web.Spool {
	r := &p.Spool
	v := web.Spool{Number: r.Number, Material: r.Material, Colour: r.Colour, DiameterMM: r.DiameterMM}
	if r.Grams != nil {
		v.Grams = *r.Grams
	}
	if e := p.ReelEnds; e != nil {
		v.Short = &web.Short{Layer: e.Layer, Layers: e.Layers, TopMM: e.TopMM, At: e.At}
	}
	return v
}

// Surfaces lists the table by material.
func (h *house) Surfaces(context.Context) ([]web.Surface, error) {
	table := h.config().Surfaces.Table()
	out := make([]web.Surface, 0, len(table))
	for _, material := range slices.Sorted(maps.Keys(table)) {
		_, own := h.config().Surfaces[material]
		out = append(out, web.Surface{Material: material, Suits: table[material], Owner: own})
	}
	return out, nil
}
