package webtest

import (
	"context"
	"fmt"
	"slices"

	"undercroft/queue"
	"undercroft/web"
)

// reels is the stock of the scene.
func reels() []web.Reel {
	g := func(v float64) *float64 { return &v }
	return []web.Reel{
		{Number: 3, Material: "PETG", Colour: "paper white", DiameterMM: 1.74, DensityGCM3: 1.27, Price: 24, FullG: 1000, TareG: g(212), LeftG: g(412), Printer: "Bittern"},
		{Number: 5, Material: "PLA", Colour: "lamp yellow", DiameterMM: 1.75, DensityGCM3: 1.24, FullG: 1000, LeftG: g(1000)},
		{Material: "PLA", Colour: "reed green", LeftG: g(655), Printer: "Curlew"},
	}
}

func (h *House) reel(number int) (*web.Reel, error) {
	i := slices.IndexFunc(h.reels, func(r web.Reel) bool { return r.Number == number })
	if number == 0 || i < 0 {
		return nil, fmt.Errorf("there is no reel %d in stock; 'undercroft spools' lists them: %w", number, queue.ErrNotFound)
	}
	return &h.reels[i], nil
}

// Spools follows web.StockHouse.
func (h *House) Spools(context.Context, bool) ([]web.Reel, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.reels), h.fail
}

// Spool gives a reel that was weighed once.
func (h *House) Spool(_ context.Context, number int) (web.ReelHistory, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	r, err := h.reel(number)
	if err != nil {
		return web.ReelHistory{}, err
	}
	left, gross := 412.0, 624.0
	return web.ReelHistory{Reel: *r, Events: []web.ReelEvent{
		{At: h.view.At, What: "weighed", Printer: r.Printer, ChangeG: -8, LeftG: &left, GrossG: &gross},
	}}, nil
}

// AddSpool follows web.StockHouse.
func (h *House) AddSpool(_ context.Context, n web.NewReel) (web.Reel, error) {
	end, err := h.begin("add-spool %+v", n)
	defer end()
	if err != nil {
		return web.Reel{}, err
	}
	if n.Number == 0 {
		n.Number = 6
	}
	if _, err := h.reel(n.Number); err == nil {
		return web.Reel{}, fmt.Errorf("there is a reel %d already: %w", n.Number, queue.ErrConflict)
	}
	r := web.Reel{Number: n.Number, Material: n.Material, Colour: n.Colour, DiameterMM: 1.75, DensityGCM3: 1.24, FullG: n.FullG, TareG: n.TareG, LeftG: n.LeftG, AddedAt: h.view.At}
	h.reels = append(h.reels, r)
	return r, nil
}

// Weigh follows web.StockHouse.
func (h *House) Weigh(_ context.Context, number int, w web.Weighing) (web.Reel, error) {
	end, err := h.begin("weigh %d", number)
	defer end()
	if err != nil {
		return web.Reel{}, err
	}
	r, err := h.reel(number)
	if err != nil {
		return web.Reel{}, err
	}
	if w.TareG != nil {
		r.TareG = w.TareG
	}
	if w.NetG != nil {
		r.LeftG = w.NetG
	}
	if w.GrossG != nil && r.TareG != nil {
		left := *w.GrossG - *r.TareG
		r.LeftG = &left
	}
	return *r, nil
}

// RetireSpool follows web.StockHouse.
func (h *House) RetireSpool(_ context.Context, number int) error {
	end, err := h.begin("retire-spool %d", number)
	defer end()
	if err != nil {
		return err
	}
	_, err = h.reel(number)
	return err
}

// Load follows web.StockHouse.
func (h *House) Load(_ context.Context, name string, l web.Load) error {
	return h.on("load", name, fmt.Sprint(l.Number), func(p *web.Printer) error {
		if l.Number == 0 {
			p.Spool = web.Spool{}
			return nil
		}
		r, err := h.reel(l.Number)
		if err != nil {
			return err
		}
		p.Spool = web.Spool{Number: r.Number, Material: r.Material, Colour: r.Colour, Grams: *r.LeftG}
		return nil
	})
}

// Eyes follows web.StockHouse.
func (h *House) Eyes(_ context.Context, name string, e web.Eyes) error {
	return h.on("eyes", name, fmt.Sprint(e.Good), func(p *web.Printer) error {
		if p.Run == nil {
			return fmt.Errorf("nothing is being printed on %s whose first layer could be looked at: %w", p.Name, queue.ErrConflict)
		}
		if p.Run.Eyes = "good"; !e.Good {
			p.Run, p.Phase = nil, "cooling"
		}
		return nil
	})
}

// Expect adds a tenth and five minutes.
func (h *House) Expect(_ context.Context, name string, e web.Expect) (web.Expected, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, err := h.printer(name); err != nil {
		return web.Expected{}, err
	}
	mid := 300 + 1.1*e.EstimateS
	return web.Expected{LowS: 0.9 * mid, MidS: mid, HighS: 1.2 * mid, Holds: 0.8, BeforeS: 300, Factor: 1.1, OwnRuns: 12, PrinterRuns: 30, Runs: 80}, nil
}

// Machine knows a volume and how long it homes.
func (h *House) Machine(_ context.Context, name string) (web.Machine, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, err := h.printer(name); err != nil {
		return web.Machine{}, err
	}
	return web.Machine{Kind: "heron", Reach: &web.MachineReach{MaxMM: [3]float64{250, 210, 220}}, MaxNozzleC: 285, MaxBedC: 110, FilamentMM: 1.75, HomingS: 21}, nil
}

// SetStock follows web.StockHouse.
func (h *House) SetStock(_ context.Context, s web.StockRules) error {
	end, err := h.begin("set-stock")
	defer end()
	if err != nil {
		return err
	}
	if s.Margin != nil {
		if *s.Margin > 1 {
			return fmt.Errorf("a margin of %g; a share of what a file needs is meant, 0 to 1: %w", *s.Margin, queue.ErrInvalid)
		}
		h.view.Stock.Margin = *s.Margin
	}
	if s.Warn != nil {
		h.view.Stock.Warn = *s.Warn
	}
	if s.Eyes != nil {
		h.view.Stock.Eyes = *s.Eyes
	}
	return nil
}
