package main

import (
	"context"
	"time"

	"undercroft/fleet"
	"undercroft/fleet/link"
	"undercroft/queue"
	"undercroft/queue/dispatch"
	"undercroft/web"
)

// View copies what the pages show.
func (h *house) View(context.Context) (web.View, error) {
	v := h.dispatch.View()
	out := web.View{
		At: v.At, Zone: h.config().House.TimeZone, Pace: h.clock.pace, Demo: h.demo, Title: h.config().House.Title,
		Hours: web.Hours{
			Answered: v.Hours.Answered, Home: v.Hours.Home.String(), Cold: v.Hours.Cold.String(),
			ColdNow: v.ColdNow, HomeNow: v.HomeNow,
		},
		Tally: web.Tally{
			JobsWaiting: v.Waiting, JobsRunning: v.Running, JobsDecision: v.Decision, JobsDone: v.Tally.JobsDone,
			PiecesDone: v.Tally.PiecesDone, PiecesWanted: v.Tally.PiecesWanted,
			HoursDone: v.Tally.HoursDone, HoursLeft: v.HoursIn, GramsUsed: v.Tally.GramsUsed,
		},
		Calls:    h.calls.View(),
		Stock:    web.StockView{Margin: v.Stock.Share(), Warn: v.Stock.Warn, Eyes: !v.EyesOff},
		Printers: make([]web.Printer, len(v.Printers)),
		Jobs:     make([]web.Job, len(v.Jobs)),
		Circuits: make([]web.Circuit, len(v.Circuits)),
	}
	// The job of an open mishap is live, and knows its file.
	files := make(map[string]*queue.File, len(v.Jobs))
	for i, j := range v.Jobs {
		out.Jobs[i] = jobView(j.Job, j.Why)
		files[j.File.SHA256] = j.File
	}
	out.Mishaps = mishapViews(v.Mishaps, files)
	// What a failed run left on a plate is as high as its mishap says.
	left := make(map[int64]float64, len(v.Mishaps))
	for _, m := range v.Mishaps {
		if m.Result != "bad-yield" {
			left[m.RunID] = m.CompletedMM
		}
	}
	for i := range v.Printers {
		out.Printers[i] = h.printerView(&v.Printers[i])
		plate := &out.Printers[i].Plate
		if mm, ok := left[plate.RunID]; ok && plate.Part != "" {
			plate.CompletedMM = mm
		}
	}
	for i, c := range v.Circuits {
		out.Circuits[i] = web.Circuit{Name: c.Name, LimitW: c.LimitW, LeasedW: c.LeasedW, StandingW: c.StandingW}
		for _, l := range c.Leases {
			out.Circuits[i].Leases = append(out.Circuits[i].Leases, web.Lease(l))
		}
	}
	return out, nil
}

func (h *house) printerView(p *dispatch.PrinterView) web.Printer {
	m, s := &p.Machine, &p.Snapshot
	v := web.Printer{
		Name: m.Name, Kind: m.Kind, Phase: string(s.Phase), PhaseSince: s.Since, Why: p.Why, WaitsFor: p.WaitsFor,
		VolumeMM: m.VolumeMM, NozzleMM: m.NozzleMM, OutOf: m.OutOfService, Circuit: m.Circuit,
		Spool:    loadedView(p),
		Plate:    plateView(p),
		Heaters:  heaterViews(s.Link.Heaters),
		Resends:  s.Link.Resends,
		Firmware: s.Link.Identity.Firmware,
	}
	for _, c := range h.config().Printers {
		if c.Name == m.Name {
			v.Path = c.Path
		}
	}
	v.Told, v.HaltsAtOnce = s.Told, s.Link.Identity.Caps["EMERGENCY_PARSER"]
	v.Link = linkView(&s.Link)
	if h := s.Hold; h != nil {
		v.Held = &web.Held{
			By: string(h.By), Since: h.Since, Filament: h.Filament, Step: string(h.Step), Cooled: h.Cooled, Asks: h.Asks, Buttons: h.Buttons,
		}
	}
	for _, w := range s.Warnings {
		v.Warnings = append(v.Warnings, web.Warning(w))
	}
	if at := s.Link.HeatAt; !at.IsZero() {
		v.HeatAt = &at
	}
	if p.Job != nil && s.Run != nil && s.Run.RunID == p.RunID {
		v.Run = runView(p.Job, s.Run)
		v.Run.Eyes, v.Run.EyesWhy = string(p.Eyes), p.EyesWhy
		if at := p.EyesAt; !at.IsZero() {
			v.Run.EyesAt = &at
		}
	}
	if p.Next != nil {
		starts := p.Starts
		v.NextJob, v.NextStart = p.Next.ID, &starts
	}
	return v
}

func plateView(p *dispatch.PrinterView) web.Plate {
	m := &p.Machine
	v := web.Plate{Surface: m.Plate.Surface, State: string(m.Plate.State), Question: p.Question, RunID: m.Plate.RunID, JobID: m.Plate.JobID, Since: m.Plate.Since}
	if j := p.OnPlate; j != nil {
		v.Part, v.Pieces, v.Marks = j.Part, j.Pieces, pieceViews(m.Plate.Pieces)
		v.HeightMM, v.WidthMM, v.Outline = j.File.HeightMM, j.File.SizeMM()[0], j.File.Outline
		v.CompletedMM = j.File.HeightMM
		if s := p.Snapshot.Run; s != nil {
			v.CompletedMM = s.CompletedMM
		}
	}
	return v
}

func runView(j *queue.Job, r *fleet.Progress) *web.Run {
	return &web.Run{
		ID: r.RunID, JobID: j.ID, Part: j.Part, File: j.FileName, StartedAt: r.StartedAt, EndsAt: r.EndsAt,
		LeftS: r.LeftS, EstimateS: r.EstimateS, LayersDone: r.LayersDone, Layers: r.Layers,
		CompletedMM: r.CompletedMM, InProgressMM: r.InProgressMM, HeightMM: r.HeightMM,
		Line: r.Line, Lines: r.Lines, WidthMM: j.File.SizeMM()[0], Outline: j.File.Outline,
	}
}

func jobView(j *queue.Job, why string) web.Job {
	f := j.File
	v := web.Job{
		ID: j.ID, State: string(j.State), Part: j.Part, Assembly: j.Assembly, File: j.FileName, SHA256: f.SHA256,
		Kind: j.Kind, NozzleMM: j.NozzleMM, LayerMM: f.LayerMM, Material: j.Material, SizeMM: f.SizeMM(),
		EstimateS: f.EstimateS, MassG: f.MassG, Pieces: j.Pieces, Printer: j.Printer, Runs: j.Runs,
		ClearsSelf: j.ClearsSelf, Note: why, RemainderOf: j.RemainderOf, Build: j.Build, Way: j.Way, Colour: j.Colour, Priority: string(j.Priority),
		NotBefore: optional(j.NotBefore, time.UTC), Due: optional(j.Due, time.UTC), Order: j.Order, OnlyOn: j.OnlyOn, NotOn: j.NotOn,
	}
	if y := j.Yields; len(y) > 1 || len(y) == 1 && (y[0].SectionN != "" || y[0].Part != j.Part) {
		v.Yields = yieldViews(y)
	}
	for _, w := range f.Warnings {
		// Told when the file came in; it holds for every large piece.
		if w.Code == "shrinks" {
			continue
		}
		v.Warnings = append(v.Warnings, label(w))
	}
	return v
}

// mishapViews draws each mishap whose file is among files; without it a mishap
// still has its figures.
func mishapViews(list []queue.Mishap, files map[string]*queue.File) []web.Mishap {
	out := make([]web.Mishap, len(list))
	for i, m := range list {
		out[i] = web.Mishap{
			ID: m.ID, RunID: m.RunID, JobID: m.JobID, Printer: m.Printer, Part: m.Part, Result: m.Result,
			Cause: m.Cause, Text: m.Text, At: m.At, Line: m.Line, Layer: m.LayersDone,
			CompletedMM: m.CompletedMM, InProgressMM: m.InProgressMM, HeightMM: m.HeightMM,
			GramsSpent: m.GramsSpent, Decided: m.Decided,
		}
		for _, p := range m.Heat {
			point := web.HeatPoint{At: p.At}
			for _, t := range p.Heaters {
				point.Heaters = append(point.Heaters, web.Heater(t))
			}
			out[i].Heat = append(out[i].Heat, point)
		}
		if f := files[m.SHA256]; f != nil {
			out[i].Outline, out[i].WidthMM = f.Outline, f.SizeMM()[0]
		}
	}
	return out
}

func heaterViews(list []link.Heater) []web.Heater {
	out := make([]web.Heater, len(list))
	for i, t := range list {
		out[i] = web.Heater{Name: t.Name, ActualC: t.ActualC, TargetC: t.TargetC}
	}
	return out
}
