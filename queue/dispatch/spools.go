package dispatch

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"undercroft/fleet"
	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/store"
)

// usualDiameterMM is what a reel is taken to measure when nobody says (common practice).
const usualDiameterMM = 1.75

// Bounds of what is believed of a reel.
const (
	mostG      = 20000
	mostNumber = 99999
)

// runMM is the filament that a run under way on a printer has drawn so far, as
// far as it is certainly executed.
func (d *Dispatcher) runMM(p *printer) float64 {
	d.mu.RLock()
	r := p.run
	d.mu.RUnlock()
	if s := p.dev.Snapshot().Run; s != nil && r != nil && s.RunID == r.ID {
		return s.FilamentMM
	}
	return 0
}

// reel takes in what hands changed on a printer. When its reel is another one or
// was weighed, the run draws from it anew from here on.
func (d *Dispatcher) reel(p *printer, f queue.Facts, runMM float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	old := &p.facts.Spool
	if old.ID != f.Spool.ID || (old.Grams == nil) != (f.Spool.Grams == nil) || f.Spool.Grams != nil && *f.Spool.Grams != *old.Grams {
		p.reelFromMM = runMM
	}
	p.know(f)
}

// AddSpool puts a reel into stock; number 0 takes the next free one. Diameter
// and density are those of its material when they are 0.
func (d *Dispatcher) AddSpool(ctx context.Context, r queue.Spool) (queue.Spool, error) {
	var err error
	if r.Material, err = word("the material", strings.ToUpper(r.Material)); err != nil {
		return r, err
	}
	if r.Colour, err = word("the colour", r.Colour); err != nil {
		return r, err
	}
	if r.DiameterMM == 0 {
		r.DiameterMM = usualDiameterMM
	}
	if r.DensityGCM3 == 0 {
		r.DensityGCM3 = analyze.DensityGCM3(r.Material)
	}
	switch {
	case r.Material == "":
		return r, fmt.Errorf("say what the reel is of: %w", queue.ErrInvalid)
	case r.Number < 0 || r.Number > mostNumber:
		return r, fmt.Errorf("a reel cannot have the number %d; 1 to %d are possible: %w", r.Number, mostNumber, queue.ErrInvalid)
	case r.DensityGCM3 == 0:
		return r, fmt.Errorf("the density of %s is not known here; say it in g/cm³, as its maker states it: %w", r.Material, queue.ErrInvalid)
	case !(r.DensityGCM3 >= 0.5 && r.DensityGCM3 <= 10):
		return r, fmt.Errorf("a density of %g g/cm³; 0.5 to 10 are believed: %w", r.DensityGCM3, queue.ErrInvalid)
	case !(r.DiameterMM >= 1 && r.DiameterMM <= 4):
		return r, fmt.Errorf("filament %g mm thick; 1 to 4 mm are believed: %w", r.DiameterMM, queue.ErrInvalid)
	case !(r.Price >= 0 && r.Price <= 1e6):
		return r, fmt.Errorf("a price of %g: %w", r.Price, queue.ErrInvalid)
	case !(r.FullG >= 0 && r.FullG <= mostG):
		return r, fmt.Errorf("%g g on a full reel; up to %d are believed: %w", r.FullG, mostG, queue.ErrInvalid)
	}
	if r.Grams == nil && r.FullG > 0 {
		g := r.FullG
		r.Grams = &g
	}
	for _, g := range []*float64{r.TareG, r.Grams} {
		if g != nil && !(*g >= 0 && *g <= mostG) {
			return r, fmt.Errorf("%g g of a reel; 0 to %d are believed: %w", *g, mostG, queue.ErrInvalid)
		}
	}
	r.Printer = ""
	r, err = d.o.Store.AddSpool(ctx, r)
	d.poke()
	return r, err
}

// Weigh corrects what is left on a reel, in mid-run too.
func (d *Dispatcher) Weigh(ctx context.Context, number int, w store.Weighing) (queue.Spool, error) {
	for _, g := range []*float64{w.GrossG, w.NetG, w.TareG} {
		if g != nil && !(*g >= 0 && *g <= mostG) {
			return queue.Spool{}, fmt.Errorf("%g g of a reel; 0 to %d are believed: %w", *g, mostG, queue.ErrInvalid)
		}
	}
	if w.GrossG != nil && w.NetG != nil {
		return queue.Spool{}, fmt.Errorf("say what the reel weighs as it is, or what is left without the reel, not both: %w", queue.ErrInvalid)
	}
	if w.GrossG == nil && w.NetG == nil && w.TareG == nil {
		return queue.Spool{}, fmt.Errorf("say what the scales show: %w", queue.ErrInvalid)
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	p := d.reelOn(number)
	if p != nil {
		w.RunMM = d.runMM(p)
	}
	r, err := d.o.Store.Weigh(ctx, number, w)
	if err != nil {
		return r, err
	}
	if p != nil {
		d.mu.RLock()
		f := p.facts
		d.mu.RUnlock()
		f.Spool = r
		d.reel(p, f, w.RunMM)
	}
	d.poke()
	return r, nil
}

func (d *Dispatcher) reelOn(number int) *printer {
	d.mu.RLock()
	defer d.mu.RUnlock()
	i := slices.IndexFunc(d.printers, func(p *printer) bool { return number > 0 && p.facts.Spool.Number == number })
	if i < 0 {
		return nil
	}
	return d.printers[i]
}

// Load records that a reel hangs on a printer now; number 0: that none does. In
// mid-run what follows is drawn from this reel.
func (d *Dispatcher) Load(ctx context.Context, name string, number int) error {
	p, err := d.find(name)
	if err != nil {
		return err
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	mm := d.runMM(p)
	f, err := d.o.Store.Load(ctx, name, number, mm)
	if err != nil {
		return err
	}
	d.reel(p, f, mm)
	d.hands(p)
	d.poke()
	return nil
}

// RetireSpool takes a reel out of stock.
func (d *Dispatcher) RetireSpool(ctx context.Context, number int) error {
	err := d.o.Store.Retire(ctx, number)
	d.poke()
	return err
}

// Stock is what the owner said of reels that may not last.
func (d *Dispatcher) Stock() queue.Stock {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return d.stock
}

// SetStock changes it.
func (d *Dispatcher) SetStock(ctx context.Context, k queue.Stock) error {
	if m := k.Share(); !(m >= 0 && m <= 1) {
		return fmt.Errorf("a margin of %g; a share of what a file needs is meant, 0 to 1: %w", m, queue.ErrInvalid)
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	if err := d.o.Store.SetStock(ctx, k); err != nil {
		return err
	}
	d.mu.Lock()
	d.stock = k
	for _, p := range d.printers {
		p.changed++
	}
	d.mu.Unlock()
	d.poke()
	return nil
}

// house is what the owner's words mean for a start now. The caller holds mu.
func (d *Dispatcher) house(now time.Time) queue.House {
	h := queue.NewHouse(now, d.hours)
	h.Stock, h.Surfaces = d.stock, d.surfaces
	return h
}

// spoolNow is the loaded reel with what the run has drawn so far taken off. The
// caller holds mu.
func (d *Dispatcher) spoolNow(p *printer, s *fleet.Snapshot) queue.Spool {
	r := p.facts.Spool
	if r.Grams == nil || p.run == nil || s.Run == nil || s.Run.RunID != p.run.ID {
		return r
	}
	g := max(0, *r.Grams-max(0, s.Run.FilamentMM-p.reelFromMM)*r.GPerMM(p.job.File))
	r.Grams = &g
	return r
}

// Forecast says that a reel will not last, and when it ends.
type Forecast struct {
	queue.ReelEnd
	At time.Time // house time at which it ends
}

// forecast says where the reel of a run under way ends; false: it lasts, or
// nobody has said what is on it. The caller holds mu.
func (d *Dispatcher) forecast(p *printer, s *fleet.Snapshot, now time.Time) (Forecast, bool) {
	if p.run == nil || s.Run == nil || s.Run.RunID != p.run.ID || p.facts.Spool.Grams == nil {
		return Forecast{}, false
	}
	per := p.facts.Spool.GPerMM(p.job.File)
	if per <= 0 {
		return Forecast{}, false
	}
	e, ends := queue.ReelEnds(p.layers, p.reelFromMM+*p.facts.Spool.Grams/per)
	if !ends {
		return Forecast{}, false
	}
	// What is done by the estimate, from the filament drawn; the rest goes as fast
	// as the run itself has shown.
	doneS := 0.0
	if x, ok := queue.ReelEnds(p.layers, s.Run.FilamentMM); ok {
		doneS = x.AfterS
	}
	restS := e.AfterS - doneS
	if left := s.Run.EstimateS - doneS; left > 0 {
		restS *= s.Run.LeftS / left
	}
	return Forecast{ReelEnd: e, At: now.Add(time.Duration(math.Max(0, restS) * float64(time.Second)))}, true
}

func drawOf(layers []fleet.Layer) []queue.LayerDraw {
	out := make([]queue.LayerDraw, len(layers))
	for i, l := range layers {
		out[i] = queue.LayerDraw{TopMM: l.TopMM, EndS: l.EndS, FilamentMM: l.FilamentMM}
	}
	return out
}

// lasting adds to an obstacle of the reel where it would end, and what would do:
// another reel in stock, another job, or a swap while somebody is home.
func (d *Dispatcher) lasting(ctx context.Context, j *queue.Job, m *queue.Machine, h *queue.House, o *queue.Obstacle) error {
	index, err := d.o.Store.Layers(ctx, j.File.SHA256)
	if err != nil {
		return err
	}
	layers := drawOf(fleetLayers(index, j.File.FilamentMM))
	per := m.Spool.GPerMM(j.File)
	if per > 0 && len(layers) > 0 {
		mm := *m.Spool.Grams / per
		at := func(s float64) time.Time { return h.Now.Add(time.Duration(s * float64(time.Second))) }
		if e, ends := queue.ReelEnds(layers, mm); ends {
			o.Text += fmt.Sprintf("; started now it would end in layer %d of %d, at %.1f mm, about %s", e.Layer, e.Layers, e.TopMM, queue.Clock(at(e.AfterS), h.Now))
		} else {
			o.Text += "; by the estimate it just lasts, without the margin"
		}
		if l, when := queue.SwapLayer(layers, mm/(1+h.Stock.Share()), d.hours.Home, at); l > 0 {
			o.Remedy += fmt.Sprintf(", or stand by to swap reels after layer %d, about %s", l, queue.Clock(when, h.Now))
		}
	}
	reels, err := d.o.Store.Spools(ctx, false)
	if err != nil {
		return err
	}
	for _, r := range reels {
		if r.Number > 0 && r.Printer == "" && r.Material == j.Material && r.Grams != nil && r.Lasts(j.File, h.Stock.Share()) {
			o.Remedy = fmt.Sprintf("load reel %d (%.0f g) on %s; ", r.Number, *r.Grams, m.Name) + o.Remedy
			break
		}
	}
	if other := d.lastsFor(m, h); other != nil {
		o.Remedy += fmt.Sprintf("; it would last for job %d, %s", other.ID, other.Part)
	}
	return nil
}

// lastsFor is the largest queued job that suits a printer and its reel. The
// caller holds mu.
func (d *Dispatcher) lastsFor(m *queue.Machine, h *queue.House) *queue.Job {
	var best *queue.Job
	for _, g := range d.queued[m.Kind] {
		if j := g.jobs[0]; j.Material == m.Spool.Material && j.NozzleMM == m.NozzleMM && queue.Could(j, m) &&
			m.Spool.Lasts(j.File, h.Stock.Share()) && (best == nil || j.File.MassG > best.File.MassG) {
			best = j
		}
	}
	return best
}
