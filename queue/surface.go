package queue

import (
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

// SurfacesFor lists the plate surfaces that suit a material, nil when the table
// does not know the material.
func SurfacesFor(material string) []string { return surfaces[strings.ToUpper(material)] }

// surfaceSuits says whether a material may go on a surface. What the table does
// not know is left to the owner.
func surfaceSuits(material, surface string) bool {
	list := SurfacesFor(material)
	if list == nil || !slices.Contains([]string{Smooth, Textured, Coated, Glass}, surface) {
		return true
	}
	return slices.Contains(list, surface)
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
