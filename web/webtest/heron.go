package webtest

import (
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// Heron is a build as large as a real one, with every state a piece can be in.
// Its jobs are those of Scene. The figures are invented.
func Heron(at time.Time) web.Build {
	due := at.Add(9 * 24 * time.Hour)
	b := web.Build{Name: "Heron lantern", Priority: "normal", Due: &due, Note: "For the winter parade. The lamp goes in before the left wing."}
	way := func(file, kind string, nozzle, layer float64, material string, hours, grams, height, width float64, outline string) web.WayFile {
		return web.WayFile{File: file, Kind: kind, NozzleMM: nozzle, LayerMM: layer, Material: material, EstimateS: hours * 3600, MassG: grams,
			HeightMM: height, WidthMM: width, Outline: Outline(outline), Yields: []web.Yield{}}
	}
	whole := func(f web.WayFile) []web.Way { return []web.Way{{Sections: []string{}, Files: []web.WayFile{f}}} }
	part := func(name string, c queue.Count, hours, grams float64, ways []web.Way) web.Part {
		todo := float64(c.Wanted - c.Good)
		return web.Part{Name: name, Ways: ways, Progress: queue.Progress{Count: c,
			HoursDone: float64(c.Good+c.Failed) * hours, HoursLeft: todo * hours, GramsUsed: float64(c.Good) * grams, GramsLeft: todo * grams}}
	}
	add := func(name string, parts ...web.Part) {
		a := web.Assembly{Name: name, Parts: parts}
		for _, p := range parts {
			a.Progress = plus(a.Progress, p.Progress)
		}
		b.Assemblies = append(b.Assemblies, a)
		b.Progress = plus(b.Progress, a.Progress)
	}
	halves := []web.Way{
		{Name: "whole", Sections: []string{}, Files: []web.WayFile{way("body-shell-left.gcode", "fen-large", 0.8, 0.32, "PETG", 14.5, 688, 368, 260, "shell")}},
		{Name: "two halves", Sections: []string{"upper", "lower"}, Seam: "glue along the third rib", Files: []web.WayFile{}},
	}
	left := part("Body shell, left", queue.Count{Wanted: 1, Running: 1}, 14.5, 688, halves)
	right := part("Body shell, right", queue.Count{Wanted: 1, Missing: 1}, 14.5, 688, whole(way("body-shell-right.gcode", "fen-large", 0.8, 0.32, "PETG", 14.5, 688, 368, 260, "shell")))
	left.Mirror, right.Mirror, left.Priority = right.Name, left.Name, "first"
	add("Body", left, right,
		part("Tail fan", queue.Count{Wanted: 3, Good: 2, Waiting: 1}, 3.4, 190, whole(way("tail-fan.gcode", "fen-small", 0.8, 0.4, "PLA", 3.4, 190, 88, 200, "ribs"))))
	add("Neck",
		part("Neck segment 2", queue.Count{Wanted: 1, Good: 1}, 9, 160, whole(way("neck-2.gcode", "fen-small", 0.4, 0.2, "PLA", 9, 160, 184, 122, "neck"))),
		part("Neck segment 3", queue.Count{Wanted: 1, Waiting: 1, Failed: 1}, 9.1, 164, whole(way("neck-3.gcode", "fen-small", 0.4, 0.2, "PLA", 9.1, 164, 180, 120, "neck"))),
		part("Neck segment 4", queue.Count{Wanted: 1, Waiting: 1}, 8.8, 158, whole(way("neck-4.gcode", "fen-small", 0.4, 0.2, "PLA", 8.8, 158, 176, 118, "neck"))))
	wing := func(side string, c queue.Count, feathers queue.Count) {
		ribs := part("Wing rib", c, 0.9, 16, whole(way("wing-ribs-7-12.gcode", "fen-small", 0.4, 0.2, "PLA", 5.2, 96, 42, 60, "ribs")))
		ribs.Ways[0].Files[0].Yields = []web.Yield{{Part: "Wing rib", Assembly: side, Count: 6}}
		add(side, ribs, part("Feather spray", feathers, 1.6, 15, whole(way("feather-spray.gcode", "fen-small", 0.4, 0.12, "PLA", 6.6, 58, 64, 50, "beak"))))
	}
	wing("Left wing", queue.Count{Wanted: 24, Good: 12, OnPlate: 6, Missing: 6, Failed: 2, Reopen: 1}, queue.Count{Wanted: 16, Good: 8, Waiting: 4, Missing: 4})
	wing("Right wing", queue.Count{Wanted: 24, Good: 24, Spare: 1}, queue.Count{Wanted: 16, Missing: 16})
	foot := part("Foot", queue.Count{Wanted: 2, Good: 2}, 4, 90, whole(way("foot.gcode", "fen-long", 0.6, 0.3, "PLA", 4, 90, 50, 150, "ribs")))
	add("Head",
		part("Beak, lower", queue.Count{Wanted: 1, Running: 1}, 4.9, 71, whole(way("beak-lower.gcode", "fen-long", 0.6, 0.3, "PLA", 4.9, 71, 126, 60, "beak"))),
		part("Eye ring", queue.Count{Wanted: 2, Waiting: 2}, 0.6, 6, whole(way("eye-ring.gcode", "fen-long", 0.6, 0.3, "PETG", 0.6, 6, 9, 30, "ribs"))),
		part("Crest pin", queue.Count{Wanted: 4, Good: 1, Missing: 3}, 0.2, 2, []web.Way{}))
	add("Legs", foot)
	return b
}

// plus adds two progresses.
func plus(a, b queue.Progress) queue.Progress {
	a.Wanted, a.Good, a.OnPlate, a.Running, a.Waiting = a.Wanted+b.Wanted, a.Good+b.Good, a.OnPlate+b.OnPlate, a.Running+b.Running, a.Waiting+b.Waiting
	a.Missing, a.Spare, a.Failed, a.Reopen = a.Missing+b.Missing, a.Spare+b.Spare, a.Failed+b.Failed, a.Reopen+b.Reopen
	a.HoursDone, a.HoursLeft, a.GramsUsed, a.GramsLeft = a.HoursDone+b.HoursDone, a.HoursLeft+b.HoursLeft, a.GramsUsed+b.GramsUsed, a.GramsLeft+b.GramsLeft
	a.Unknown += b.Unknown
	return a
}
