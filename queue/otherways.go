package queue

import (
	"fmt"
	"slices"
	"strings"
)

// OtherWays says which other ways there are of making what a job makes first,
// and where: 'use way "two halves" on Merel', or on which printer once what has
// been done to it. Ways that no printer could ever take, and ways without files
// for all of their sections, are left out.
func OtherWays(j *Job, l *Ledger, machines []Machine, h *House) []string {
	if len(j.Yields) == 0 {
		return nil
	}
	mine := j.Yields[0]
	var out []string
	for i := range l.Ways {
		w := &l.Ways[i]
		if w.PartID != mine.PartID || w.ID == mine.WayID || len(w.Sections) == 0 {
			continue
		}
		if text := wayText(w, l, j, machines, h); text != "" {
			out = append(out, text)
		}
	}
	return out
}

func wayText(w *Way, l *Ledger, j *Job, machines []Machine, h *House) string {
	var printers, doFirst []string
	for section := range w.Sections {
		best, least := -1, 0
		var of Job
		for k := range l.Prints {
			p := &l.Prints[k]
			if !slices.ContainsFunc(p.Yields, func(y Yield) bool { return y.WayID == w.ID && y.Section == section }) {
				continue
			}
			try := Job{ID: j.ID, File: p.File, FileName: p.FileName, Kind: p.Kind, NozzleMM: p.NozzleMM, Material: p.Material, Colour: p.Colour, Surface: p.Surface, NotBefore: j.NotBefore, NotOn: j.NotOn}
			for m := range machines {
				if cost := Cost(&try, &machines[m], h); cost < weight(ForNothing) && (best < 0 || cost < least) {
					best, least, of = m, cost, try
				}
			}
		}
		if best < 0 {
			return ""
		}
		if name := machines[best].Name; !slices.Contains(printers, name) {
			printers = append(printers, name)
		}
		for _, o := range Eligible(&of, &machines[best], h) {
			what := o.Remedy
			if what == "" || o.Waits != ForPerson {
				what = "" // time alone removes it
			}
			if what != "" && !slices.Contains(doFirst, what) {
				doFirst = append(doFirst, what)
			}
		}
	}
	name := w.Name
	if name == "" {
		name = "without a name"
	}
	text := fmt.Sprintf("use way %q on %s", name, strings.Join(printers, " and "))
	if len(doFirst) > 0 {
		text += ": " + strings.Join(doFirst, ", ")
	}
	return text
}
