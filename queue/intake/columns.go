package intake

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"undercroft/queue"
)

// Columns of a list, and the headings that are taken for each, in lower case
// and without what stands in brackets.
const (
	colPart     = "part"
	colAssembly = "assembly"
	colBuild    = "build"
	colWanted   = "wanted"
	colWay      = "way"
	colMirror   = "mirror of"
	colPriority = "priority"
	colBefore   = "not before"
	colDue      = "due"
	colPrinters = "printers"
	colHours    = "hours"
	colGrams    = "grams"
	colNozzle   = "nozzle"
	colLayer    = "layer"
	colSeam     = "seam"
	colNote     = "note"
	colFile     = "file"
	colKind     = "kind"
	colMaterial = "material"
	colColour   = "colour"
	colSurface  = "surface"
	colSection  = "section"
	colYields   = "yields"
	colGood     = "good"
	colMissing  = "missing"
)

var headings = []struct {
	column string
	as     []string // the first one is written
}{
	{colPart, []string{"part", "piece", "part name", "name", "item", "component"}},
	{colAssembly, []string{"assembly", "sub-assembly", "subassembly", "group", "module"}},
	{colBuild, []string{"build", "project"}},
	{colWanted, []string{"wanted", "count", "quantity", "qty", "pieces", "pcs", "number wanted", "how many", "amount"}},
	{colWay, []string{"way", "variant", "method"}},
	{colMirror, []string{"mirror of", "mirror", "mirror image of", "mirrored", "pair", "pair of"}},
	{colPriority, []string{"priority", "prio"}},
	{colBefore, []string{"not before", "earliest", "start after"}},
	{colDue, []string{"due", "due date", "deadline", "date", "wanted by"}},
	{colPrinters, []string{"printers", "printer", "machine", "machines", "only on"}},
	{colHours, []string{"hours", "time", "print time", "machine hours", "duration"}},
	{colGrams, []string{"grams", "mass", "weight"}},
	{colNozzle, []string{"nozzle", "nozzle diameter", "nozzle size"}},
	{colLayer, []string{"layer", "layer height"}},
	{colSeam, []string{"seam", "joint", "glue"}},
	{colNote, []string{"note", "notes", "remark", "remarks", "comment"}},
	{colFile, []string{"file", "file name", "filename", "g-code", "gcode"}},
	{colKind, []string{"kind", "printer kind", "kind of printer"}},
	{colMaterial, []string{"material", "filament", "plastic"}},
	{colColour, []string{"colour", "color"}},
	{colSurface, []string{"surface", "plate", "sheet", "plate surface"}},
	{colSection, []string{"section", "half"}},
	{colYields, []string{"yields", "makes", "plate of"}},
	{colGood, []string{"good", "done"}},
	{colMissing, []string{"missing", "left", "to do"}},
}

// columnOf says which column a heading is, empty when it is none of ours. A unit
// in brackets, underscores and capitals do not matter.
func columnOf(heading string) string {
	h := strings.ToLower(strings.TrimSpace(heading))
	for _, open := range []string{"(", "["} {
		h, _, _ = strings.Cut(h, open)
	}
	h = strings.Join(strings.FieldsFunc(h, func(r rune) bool { return r == ' ' || r == '_' || r == '.' || r == ':' || r == '\u00a0' }), " ")
	for _, known := range headings {
		if slices.Contains(known.as, h) {
			return known.column
		}
	}
	return ""
}

// index maps columns to their places in a list; two headings for one column are
// an error, and so is a missing one of need.
func index(head []string, need ...string) (map[string]int, error) {
	at := map[string]int{}
	for i, h := range head {
		c := columnOf(h)
		if c == "" {
			continue
		}
		if k, twice := at[c]; twice {
			return nil, fmt.Errorf("the headings '%s' and '%s' both say %s; rename one: %w", head[k], h, c, queue.ErrInvalid)
		}
		at[c] = i
	}
	for _, c := range need {
		if _, ok := at[c]; ok {
			continue
		}
		for _, known := range headings {
			if known.column == c {
				return nil, fmt.Errorf("no column says the %s; its heading may be %s; the list has '%s': %w", c, orWords(known.as), strings.Join(head, "', '"), queue.ErrInvalid)
			}
		}
	}
	return at, nil
}

func orWords(words []string) string {
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// number reads a number with a point or a comma, with or without its unit.
func numberOf(text string, units ...string) (float64, error) {
	s := strings.TrimSpace(text)
	for _, u := range units {
		s = strings.TrimSpace(strings.TrimSuffix(s, u))
	}
	if strings.Contains(s, ",") && strings.Contains(s, ".") {
		return 0, fmt.Errorf("'%s' has a point and a comma; write 1250.5 or 1250,5", text)
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("'%s' is no number", text)
	}
	return v, nil
}

// hoursOf reads hours as 3.5, 3,5 or 3:30.
func hoursOf(text string) (float64, error) {
	h, m, clock := strings.Cut(strings.TrimSpace(text), ":")
	if !clock {
		return numberOf(text, "hours", "h")
	}
	hours, errH := strconv.Atoi(h)
	minutes, errM := strconv.Atoi(m)
	if errH != nil || errM != nil || minutes < 0 || minutes > 59 || hours < 0 {
		return 0, fmt.Errorf("'%s' is no number of hours; write 3.5 or 3:30", text)
	}
	return float64(hours) + float64(minutes)/60, nil
}

// wholeOf reads a count; '12.0' is one, '1.5' is none.
func wholeOf(text string, most int) (int, error) {
	v, err := numberOf(text, "x", "×")
	if err != nil {
		return 0, err
	}
	switch {
	case v != math.Trunc(v):
		return 0, fmt.Errorf("'%s' is no whole number", text)
	case v < 0:
		return 0, fmt.Errorf("%s is less than none", text)
	case v > float64(most):
		return 0, fmt.Errorf("%s is more than %d", text, most)
	}
	return int(v), nil
}
