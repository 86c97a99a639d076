package analyze

import (
	"fmt"
	"strings"
)

// material is what is known of a kind of filament. Zero: not known.
type material struct {
	name string
	gcm3 float64
	// Usual temperatures of nozzle and bed in °C.
	nozzleC, bedC [2]float64
	// How much a piece shrinks as it cools, in percent.
	shrinks [2]float64
}

// Densities and shrinkage: common practice, no source; a spool's own figures are
// better. Temperatures: Fashion and Textiles, 2020, s40691-020-00232-7, table 2.
var materials = [...]material{
	{name: "PLA", gcm3: 1.24, nozzleC: [2]float64{180, 210}, bedC: [2]float64{20, 45}, shrinks: [2]float64{0.3, 0.5}},
	{name: "PETG", gcm3: 1.27, nozzleC: [2]float64{220, 245}, bedC: [2]float64{70, 80}, shrinks: [2]float64{0.2, 1.0}},
	{name: "ABS", gcm3: 1.04, nozzleC: [2]float64{230, 250}, bedC: [2]float64{90, 95}, shrinks: [2]float64{0.7, 1.6}},
	{name: "ASA", gcm3: 1.07, shrinks: [2]float64{0.4, 0.7}},
	{name: "TPU", gcm3: 1.21, nozzleC: [2]float64{210, 240}, bedC: [2]float64{20, 70}},
	{name: "NYLON", gcm3: 1.15},
	{name: "PA", gcm3: 1.15},
	{name: "PC", gcm3: 1.20},
}

// materialOf finds a material by its usual name; names with additions (PLA+,
// PETG-CF) are those of the material.
func materialOf(name string) material {
	name = strings.ToUpper(name)
	for _, m := range materials {
		if name == m.name {
			return m
		}
	}
	for _, m := range materials {
		if rest, ok := strings.CutPrefix(name, m.name); ok && (rest[0] < 'A' || rest[0] > 'Z') {
			return m
		}
	}
	return material{}
}

// DensityGCM3 is the density of a material in g/cm³ by its usual name, 0 where
// it is not known.
func DensityGCM3(material string) float64 { return materialOf(material).gcm3 }

const (
	// usualMarginC is how far a temperature may lie outside the usual range before
	// it is worth a word: makers and printers differ by that much.
	usualMarginC = 30
	// shrinksMM is how much a piece may shrink along its longest side before that
	// is worth a word, in mm.
	shrinksMM = 1
)

// checkMaterial compares the file with what is usual for its declared material.
// Ranges differ from maker to maker: it warns, and nothing is ever scaled.
func (a *analysis) checkMaterial() {
	r := a.res
	m := materialOf(r.Material)
	unusual := func(what string, at float64, usual [2]float64) {
		if usual[1] > 0 && at > 0 && (at < usual[0]-usualMarginC || at > usual[1]+usualMarginC) {
			a.found.list = append(a.found.list, Finding{Code: "unusual-temperature", Severity: Warn, Count: 1,
				Text: fmt.Sprintf("%s is usually printed with the %s at %g to %g °C; this file begins at %g °C", m.name, what, usual[0], usual[1], at)})
		}
	}
	unusual("nozzle", r.Temps.FirstNozzleC, m.nozzleC)
	unusual("bed", r.Temps.FirstBedC, m.bedC)
	s := r.Extruded.Size()
	if longest := max(s[0], s[1]); longest*m.shrinks[1]/100 >= shrinksMM {
		a.findWhole("shrinks", Warn, fmt.Sprintf("%.0f mm of %s shrink by %.1f to %.1f mm as they cool; figures differ, nothing is scaled",
			longest, m.name, longest*m.shrinks[0]/100, longest*m.shrinks[1]/100))
	}
}
