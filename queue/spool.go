package queue

import (
	"fmt"
	"math"
	"time"
)

// Spool is one reel of filament.
type Spool struct {
	ID          int64 // 0: none
	Number      int   // as written on the reel; 0: it has none
	Material    string
	Colour      string
	DiameterMM  float64  // measured; 0 together with DensityGCM3: as each file says
	DensityGCM3 float64  // g/cm³
	Price       float64  // of the reel as bought, in the house's money; 0: not known
	FullG       float64  // filament on it as bought; 0: not known
	TareG       *float64 // the empty reel; nil: not known
	Grams       *float64 // filament left; nil while nobody has said
	Printer     string   // where it is loaded; empty: on the shelf
	AddedAt     time.Time
	RetiredAt   time.Time // zero: in stock
}

// GPerMM is the mass of a millimetre of filament: area × density by the reel's
// own figures, else as the file's analysis has it.
func (s *Spool) GPerMM(f *File) float64 {
	if s.DiameterMM > 0 && s.DensityGCM3 > 0 {
		return math.Pi / 4 * s.DiameterMM * s.DiameterMM * s.DensityGCM3 / 1000
	}
	return f.FilamentGPMM
}

// NeedG is what a file draws from the reel, in grams.
func (s *Spool) NeedG(f *File) float64 {
	if g := s.GPerMM(f) * f.FilamentMM; g > 0 {
		return g
	}
	return f.MassG
}

// Lasts says whether the reel holds enough for a file with the margin over it. A
// reel that nobody has weighed is taken to.
func (s *Spool) Lasts(f *File, margin float64) bool {
	return s.Grams == nil || *s.Grams >= s.NeedG(f)*(1+margin)
}

// Name is how a person finds the reel.
func (s *Spool) Name() string {
	if s.Number > 0 {
		return fmt.Sprintf("reel %d", s.Number)
	}
	return "the reel without a number"
}

// SpoolEvent is one line of a reel's history.
type SpoolEvent struct {
	At      time.Time
	What    string // added, loaded, unloaded, weighed, said, drawn, retired
	Printer string
	RunID   int64
	ChangeG float64  // drawn (negative), or what a weighing corrected
	LeftG   *float64 // after it; nil: not known
	GrossG  *float64 // what the scales showed; nil: not weighed
}

// RunSpool is one reel's part of a run.
type RunSpool struct {
	Spool   Spool
	FromMM  float64 // filament of the run before it
	Weighed bool    // a later weighing held it already
	Grams   float64 // drawn; known at the run's end
}

// LayerDraw is what a forecast must know of a layer.
type LayerDraw struct {
	TopMM      float64
	EndS       float64 // estimated seconds from the run's start to its end
	FilamentMM float64 // drawn up to its end, cumulative
}

// ReelEnd is where in a file a reel runs out.
type ReelEnd struct {
	Layer  int     // the layer being laid, from 1
	Layers int     // of so many
	TopMM  float64 // that layer's top
	AfterS float64 // estimated seconds from the run's start
}

// ReelEnds finds where the filament ends when drawnMM of a file's filament are
// still there, counted from the file's start; false: it lasts to the end. Within a layer filament is taken to be
// drawn evenly over its time.
func ReelEnds(layers []LayerDraw, drawnMM float64) (ReelEnd, bool) {
	var before LayerDraw
	for i, l := range layers {
		if l.FilamentMM > drawnMM {
			part := 0.0
			if d := l.FilamentMM - before.FilamentMM; d > 0 {
				part = min(max((drawnMM-before.FilamentMM)/d, 0), 1)
			}
			return ReelEnd{Layer: i + 1, Layers: len(layers), TopMM: l.TopMM, AfterS: before.EndS + part*(l.EndS-before.EndS)}, true
		}
		before = l
	}
	return ReelEnd{}, false
}

// SwapLayer is the highest layer after which a new reel can be put on before
// the old one ends and while somebody is home, given when each layer ends;
// 0: there is none. Layers count from 1, and the last one is no place to swap.
func SwapLayer(layers []LayerDraw, lastsMM float64, home Schedule, at func(estS float64) time.Time) (layer int, when time.Time) {
	for i, l := range layers[:max(len(layers)-1, 0)] {
		if l.FilamentMM > lastsMM {
			break
		}
		if t := at(l.EndS); home.Contains(t) {
			layer, when = i+1, t
		}
	}
	return layer, when
}
