// Package heron is the demo's world: a heron of 2.4 m, lit from within, for a
// town's winter parade; the five virtual printers in a vaulted cellar that make
// it; the generator that slices its parts; and a stand-in for the person who
// clears the plates. All of it is invented, and all of it follows from a seed.
package heron

import (
	"math"
	"math/rand/v2"
	"strings"

	"undercroft/cmd/undercroft/config"
)

// Build is the whole thing to be made, and what there is to make it with.
type Build struct {
	Title    string
	TimeZone string
	Printers []Printer
	Circuits []config.Circuit
	Parts    []Part // in the order in which they are wanted
	Mishaps  []Mishap
}

// Printer is a virtual printer: its configuration and what is fitted by hand.
type Printer struct {
	config.Printer
	Family   string // of the virtual firmware, a to e
	NozzleMM float64
	Material string
	Colour   string
	Grams    float64 // on the spool at the start
	Surface  string  // of the plate
}

// Mishap is something that goes wrong on purpose.
type Mishap struct {
	Printer   string  // empty: whichever prints the part
	What      string  // LinkLost, Runout or BadYield
	Part      string  // in which part, by name
	Share     float64 // of that part's commands; of LinkLost and Runout
	Good      int     // pieces; of BadYield
	BadFromMM float64 // of BadYield
}

// The mishaps of a build.
const (
	LinkLost = "link-lost"
	Runout   = "runout"
	BadYield = "bad-yield" // the run finishes, and not every piece is good
)

// Part is one file to print, which yields Pieces pieces.
type Part struct {
	Name     string
	Assembly string
	File     string // file name for the G-code
	Kind     string
	NozzleMM float64
	LayerMM  float64
	Material string
	Surface  string
	Pieces   int
	SizeMM   [3]float64 // one piece: width, depth, height; the height is exact

	form   form
	recipe recipe
}

// recipe is how a part is sliced.
type recipe struct {
	bedMM        [3]float64
	lineEnd      string
	relativeE    bool
	arcs         bool
	firstLayerMM float64
	widthRatio   float64 // line width as a share of the nozzle
	walls        int
	bottom, top  int     // closed layers
	density      float64 // of the open filling, 0 for none
	fillAngle    float64 // radians
	fillTurn     float64 // added in every other layer
	brim         int     // loops round the first layer
	props        bool    // supports under overhangs
	places       []point // where the pieces of a plate of many stand; nil for one in the middle

	outerMMs, innerMMs, sparseMMs, solidMMs, supportMMs, firstMMs, travelMMs float64

	leastLayerS                     float64
	retractMM, hopMM                float64
	printAccelMMs2, travelAccelMMs2 float64
	nozzleC, bedC                   float64
	firstNozzleC, firstBedC         float64
	fan                             int
}

// Kinds of printers in the cellar.
const (
	broad = "broad"
	tall  = "tall"
	fine  = "fine"
)

// New returns the build of a seed. Its parts differ a little from seed to seed
// in their proportions, never in their number, printers or materials.
func New(seed uint64) Build {
	b := Build{
		Title:    "A heron for the winter parade",
		TimeZone: "Europe/Amsterdam",
		Circuits: circuits(),
		Printers: printers(),
	}
	c := catalogue{rng: rand.New(rand.NewPCG(seed, 0x6865726f6e))}
	c.all()
	b.Parts = c.parts
	b.Mishaps = []Mishap{
		{Printer: "Merel", What: LinkLost, Part: "Body shell 4, breast", Share: 0.55},
		{Printer: "Curlew", What: Runout, Part: "Left leg, upper shin", Share: 0.4},
		{What: BadYield, Part: "Right wing, primaries 2", Good: 3, BadFromMM: 2.4},
	}
	return b
}

// Pairs gives the mirrored pairs, the left part with the right one.
func (b *Build) Pairs() map[string]string {
	names := map[string]bool{}
	for i := range b.Parts {
		names[b.Parts[i].Name] = true
	}
	pairs := map[string]string{}
	for name := range names {
		if right := strings.Replace(name, "Left", "Right", 1); right != name && names[right] {
			pairs[name] = right
		}
	}
	return pairs
}

func circuits() []config.Circuit {
	return []config.Circuit{
		{Name: "north vault", Volts: 230, BreakerA: 16, ContinuousShare: 0.8, StandingW: 180},
		{Name: "south vault", Volts: 230, BreakerA: 10, ContinuousShare: 0.8, StandingW: 60},
	}
}

func printers() []Printer {
	base := func(name, kind, circuit string, volume [3]float64, heatW, steadyW float64) config.Printer {
		return config.Printer{
			Name: name, Kind: kind, Circuit: circuit, Baud: 250000, VolumeMM: volume, MaxNozzleC: 275, MaxBedC: 105,
			HeatingW: heatW, SteadyW: steadyW, CoolBelowC: 45,
		}
	}
	b, t, f := volume(broad), volume(tall), volume(fine)
	return []Printer{
		{Printer: base("Bittern", broad, "north vault", b, 980, 310), Family: "a", NozzleMM: 0.8, Material: "PETG", Colour: "clear", Grams: 9000, Surface: "textured"},
		{Printer: base("Merel", broad, "north vault", b, 980, 310), Family: "a", NozzleMM: 0.8, Material: "PETG", Colour: "clear", Grams: 9000, Surface: "textured"},
		{Printer: base("Curlew", tall, "south vault", t, 560, 170), Family: "a", NozzleMM: 0.6, Material: "PLA", Colour: "slate", Grams: 5000, Surface: "smooth"},
		{Printer: base("Egret", tall, "south vault", t, 560, 170), Family: "a", NozzleMM: 0.4, Material: "PLA", Colour: "white", Grams: 5000, Surface: "smooth"},
		{Printer: base("Dunlin", fine, "south vault", f, 330, 120), Family: "a", NozzleMM: 0.4, Material: "PLA", Colour: "white", Grams: 5000, Surface: "smooth"},
	}
}

func volume(kind string) [3]float64 {
	switch kind {
	case broad:
		return [3]float64{400, 400, 450}
	case tall:
		return [3]float64{300, 300, 400}
	}
	return [3]float64{220, 220, 240}
}

// recipeFor is how the cellar prints on a kind with a nozzle.
func recipeFor(kind string, nozzleMM float64) recipe {
	r := recipe{
		bedMM: volume(kind), lineEnd: "\n", relativeE: true, widthRatio: 1.1, walls: 2,
		fillAngle: math.Pi / 4, fillTurn: math.Pi / 2, supportMMs: 30, firstMMs: 18, travelMMs: 140,
		leastLayerS: 9, hopMM: 0.4, travelAccelMMs2: 1500,
		nozzleC: 205, firstNozzleC: 212, bedC: 55, firstBedC: 60, fan: 255,
	}
	switch {
	case kind == broad:
		r.outerMMs, r.innerMMs, r.sparseMMs, r.solidMMs = 30, 36, 50, 40
		r.firstLayerMM, r.retractMM, r.printAccelMMs2 = 0.4, 1.4, 700
		r.nozzleC, r.firstNozzleC, r.bedC, r.firstBedC, r.fan = 238, 244, 72, 76, 102
	case kind == tall && nozzleMM > 0.5:
		r.outerMMs, r.innerMMs, r.sparseMMs, r.solidMMs = 32, 42, 60, 48
		r.firstLayerMM, r.retractMM, r.printAccelMMs2 = 0.3, 1, 900
		r.lineEnd, r.relativeE = "\r\n", false
	case kind == tall:
		r.outerMMs, r.innerMMs, r.sparseMMs, r.solidMMs = 25, 30, 45, 36
		r.firstLayerMM, r.retractMM, r.printAccelMMs2 = 0.2, 0.8, 900
		r.lineEnd, r.relativeE = "\r\n", false
	default:
		r.outerMMs, r.innerMMs, r.sparseMMs, r.solidMMs = 20, 26, 40, 32
		r.firstLayerMM, r.retractMM, r.printAccelMMs2 = 0.2, 0.8, 1000
		r.arcs = true
	}
	return r
}
