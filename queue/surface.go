package queue

import (
	"maps"
	"slices"
	"strings"
)

// Plate surfaces that the table knows. Any other word is the owner's own, and
// the table says nothing about it.
const (
	Smooth   = "smooth"
	Textured = "textured"
	Coated   = "coated" // a coating made to let go, or a layer of glue in between
	Glass    = "glass"
)

// surfaces says which plate surfaces suit which material (common practice, no
// source): what fuses to a smooth sheet wants a textured or a coated one.
var surfaces = map[string][]string{
	"PLA":   {Smooth, Textured, Coated, Glass},
	"PETG":  {Textured, Coated},
	"TPU":   {Textured, Coated},
	"ABS":   {Smooth, Coated, Textured},
	"ASA":   {Smooth, Coated, Textured},
	"PC":    {Coated, Textured},
	"NYLON": {Coated, Textured},
	"PA":    {Coated, Textured},
	"PP":    {Coated},
	"PVA":   {Smooth, Coated, Glass},
	"HIPS":  {Smooth, Coated, Glass},
}

// fuses names the materials that a smooth sheet may never let go.
var fuses = map[string]bool{"PETG": true, "TPU": true, "PC": true}

// Surfaces is the owner's table of plate surfaces by material, over the shipped
// one: what stands in it replaces the shipped line, an empty list means that any
// surface will do. The nil table is the shipped one.
type Surfaces map[string][]string

// For lists the plate surfaces that suit a material, nil when the table says
// nothing about it.
func (t Surfaces) For(material string) []string {
	material = strings.ToUpper(material)
	if list, ok := t[material]; ok {
		if len(list) == 0 {
			return nil
		}
		return list
	}
	return surfaces[material]
}

// Table is the whole table as it holds, the shipped lines included.
func (t Surfaces) Table() map[string][]string {
	out := maps.Clone(surfaces)
	maps.Copy(out, t)
	return out
}

// suits says whether a material may go on a surface. What the table does not
// know is left to the owner: a material without a line, and a surface that no
// line names.
func (t Surfaces) suits(material, surface string) bool {
	list := t.For(material)
	if list == nil || slices.Contains(list, surface) {
		return true
	}
	return !slices.Contains([]string{Smooth, Textured, Coated, Glass}, surface) && !t.names(surface)
}

// names says whether a line of the owner's own names a surface.
func (t Surfaces) names(surface string) bool {
	for _, list := range t {
		if slices.Contains(list, surface) {
			return true
		}
	}
	return false
}

// orList joins words as "textured or coated".
func orList(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}
