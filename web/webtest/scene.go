package webtest

import (
	"math"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// Scene is an evening in the cellar: one printer at work on a tall piece, one
// that wants its plate cleared, one that counts down to its next start, one
// that lost its link in mid-print, one that warms up. The data is invented.
func Scene(at time.Time) web.View {
	ago := func(d time.Duration) time.Time { return at.Add(-d) }
	in := func(d time.Duration) *time.Time { t := at.Add(d); return &t }
	return web.View{
		Calls: web.CallsView{Recent: []web.Call{}, Troubles: []string{}},
		At:    at, Zone: "Europe/London", Pace: 1, Title: "Heron lantern",
		Hours: web.Hours{Answered: true, Home: "Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00", Cold: "daily 01:00-05:00", HomeNow: true},
		Printers: []web.Printer{
			{
				Name: "Bittern", Kind: "fen-large", Phase: "printing", PhaseSince: ago(8 * time.Hour), Why: "lays layer 641 of 1150",
				Path: "/dev/serial/by-path/cellar-1", VolumeMM: [3]float64{300, 300, 400}, NozzleMM: 0.8,
				Plate: web.Plate{Surface: "textured", State: "occupied", Since: ago(8 * time.Hour)},
				Spool: web.Spool{Number: 3, DiameterMM: 1.74, Material: "PETG", Colour: "paper white", Grams: 412}, Circuit: "north wall",
				Heaters: []web.Heater{{Name: "T0", ActualC: 239.6, TargetC: 240}, {Name: "B", ActualC: 75.2, TargetC: 75}}, HeatAt: in(-2 * time.Second),
				Run: &web.Run{ID: 31, JobID: 41, Part: "Body shell, left", File: "body-shell-left.gcode", StartedAt: ago(8 * time.Hour), EndsAt: *in(6*time.Hour + 24*time.Minute),
					LeftS: 6.4 * 3600, EstimateS: 14.5 * 3600, LayersDone: 640, Layers: 1150, CompletedMM: 204.8, InProgressMM: 205.12, HeightMM: 368, Line: 1_204_331, Lines: 2_290_118,
					WidthMM: 260, Outline: Outline("shell")},
				Resends: 2, Firmware: "RepRap-dialect 2.1",
			},
			{
				Name: "Curlew", Kind: "fen-small", Phase: "ready", PhaseSince: ago(95 * time.Minute), Why: "waits for its plate to be cleared", WaitsFor: "person",
				Path: "/dev/serial/by-path/cellar-2", VolumeMM: [3]float64{220, 220, 250}, NozzleMM: 0.4,
				Plate: web.Plate{Surface: "smooth", State: "occupied", Question: "Is the plate clear?", JobID: 38, Part: "Wing rib 7 to 12", Pieces: 6, Marks: ribs(), RunID: 29, Since: ago(95 * time.Minute),
					CompletedMM: 42, HeightMM: 42, WidthMM: 180, Outline: Outline("ribs")},
				Spool: web.Spool{Material: "PLA", Colour: "reed green", Grams: 655}, Circuit: "north wall",
				Heaters: []web.Heater{{Name: "T0", ActualC: 31, TargetC: 0}, {Name: "B", ActualC: 26.4, TargetC: 0}}, HeatAt: in(-2 * time.Second),
				Firmware: "RepRap-dialect 1.8",
			},
			{
				Name: "Dunlin", Kind: "fen-small", Phase: "ready", PhaseSince: ago(20 * time.Minute), Why: "starts job 45 when the countdown ends",
				Path: "/dev/serial/by-path/cellar-3", VolumeMM: [3]float64{220, 220, 250}, NozzleMM: 0.4,
				Plate: web.Plate{Surface: "smooth", State: "clear", Since: ago(18 * time.Second)},
				Spool: web.Spool{Material: "PLA", Colour: "reed green", Grams: 88}, Circuit: "south wall",
				Heaters: []web.Heater{{Name: "T0", ActualC: 22.8, TargetC: 0}, {Name: "B", ActualC: 22.1, TargetC: 0}}, HeatAt: in(-time.Second),
				NextJob: 45, NextStart: in(42 * time.Second), Firmware: "RepRap-dialect 1.8",
			},
			{
				Name: "Egret", Kind: "fen-small", Phase: "absent", PhaseSince: ago(26 * time.Minute), Why: "its port vanished; the link is tried again every 30 s", WaitsFor: "person",
				Path: "/dev/serial/by-path/cellar-4", VolumeMM: [3]float64{220, 220, 250}, NozzleMM: 0.4,
				Plate: web.Plate{Surface: "smooth", State: "occupied", Question: "Is the plate clear?", JobID: 42, Part: "Neck segment 3", Pieces: 1, RunID: 30, Since: ago(26 * time.Minute),
					CompletedMM: 77.4, HeightMM: 180, WidthMM: 120, Outline: Outline("neck")},
				Spool: web.Spool{Material: "PLA", Colour: "paper white", Grams: 240}, Circuit: "south wall",
			},
			{
				Name: "Merel", Kind: "fen-long", Phase: "warming", PhaseSince: ago(3 * time.Minute), Why: "the bed has 48 of 60 °C",
				Path: "/dev/serial/by-path/cellar-5", VolumeMM: [3]float64{250, 210, 210}, NozzleMM: 0.6,
				Plate: web.Plate{Surface: "glass", State: "occupied", Since: ago(3 * time.Minute)},
				Spool: web.Spool{Material: "PLA", Colour: "lamp yellow", Grams: 910}, Circuit: "south wall",
				Heaters: []web.Heater{{Name: "T0", ActualC: 121, TargetC: 170}, {Name: "B", ActualC: 48.3, TargetC: 60}}, HeatAt: in(-time.Second),
				Run: &web.Run{ID: 32, JobID: 43, Part: "Beak, lower", File: "beak-lower.gcode", StartedAt: ago(3 * time.Minute), EndsAt: *in(4*time.Hour + 51*time.Minute),
					LeftS: 4.85 * 3600, EstimateS: 4.9 * 3600, Layers: 420, HeightMM: 126, InProgressMM: 0.3, Lines: 611_204, WidthMM: 60, Outline: Outline("beak"), Eyes: "wanted", EyesWhy: "the file's first run"},
				Link:     web.LinkHealth{RTTp50MS: 4.1, RTTp99MS: 11.8, LineShare: 0.42, Window: 512, Numbered: true, Audits: 12},
				Firmware: "RepRap-dialect 2.1",
			},
		},
		Jobs: []web.Job{
			{ID: 38, State: "awaits-yield", Part: "Wing rib 7 to 12", Assembly: "Left wing", File: "wing-ribs-7-12.gcode", Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.2, Material: "PLA", SizeMM: [3]float64{180, 160, 42}, EstimateS: 5.2 * 3600, MassG: 96, Pieces: 6, Printer: "Curlew", Runs: 1, Note: "printed; say which pieces are good"},
			{ID: 41, State: "running", Part: "Body shell, left", Assembly: "Body", File: "body-shell-left.gcode", Kind: "fen-large", NozzleMM: 0.8, LayerMM: 0.32, Material: "PETG", SizeMM: [3]float64{260, 190, 368}, EstimateS: 14.5 * 3600, MassG: 688, Pieces: 1, Printer: "Bittern", Runs: 1, Note: "runs until 03:54"},
			{ID: 43, State: "running", Part: "Beak, lower", Assembly: "Head", File: "beak-lower.gcode", Kind: "fen-long", NozzleMM: 0.6, LayerMM: 0.3, Material: "PLA", SizeMM: [3]float64{60, 44, 126}, EstimateS: 4.9 * 3600, MassG: 71, Pieces: 1, Printer: "Merel", Runs: 1, Note: "warming up"},
			{ID: 42, State: "needs-decision", Part: "Neck segment 3", Assembly: "Neck", File: "neck-3.gcode", Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.2, Material: "PLA", SizeMM: [3]float64{120, 120, 180}, EstimateS: 9.1 * 3600, MassG: 164, Pieces: 1, Printer: "Egret", Runs: 1, Note: "the link was lost at 77.4 mm; print it again, or give it up"},
			{ID: 45, State: "queued", Part: "Neck segment 4", Assembly: "Neck", File: "neck-4.gcode", Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.2, Material: "PLA", SizeMM: [3]float64{118, 118, 176}, EstimateS: 8.8 * 3600, MassG: 158, Pieces: 1, Note: "starts on Dunlin in 42 s", Warnings: []string{"88 g are left on Dunlin's spool, 158 g are needed"}},
			{ID: 46, State: "queued", Part: "Feather spray", Assembly: "Left wing", File: "feather-spray.gcode", Kind: "fen-small", NozzleMM: 0.4, LayerMM: 0.12, Material: "PLA", SizeMM: [3]float64{140, 90, 64}, EstimateS: 6.6 * 3600, MassG: 58, Pieces: 4, Note: "waits for a clear plate on Curlew"},
			{ID: 47, State: "queued", Part: "Tail fan", Assembly: "Body", File: "tail-fan.gcode", Kind: "fen-small", NozzleMM: 0.8, LayerMM: 0.4, Material: "PLA", SizeMM: [3]float64{200, 170, 88}, EstimateS: 3.4 * 3600, MassG: 190, Pieces: 1, Note: "needs 0.8 mm nozzle, 0.4 is fitted on Curlew and Dunlin"},
			{ID: 48, State: "on-hold", Part: "Eye ring", Assembly: "Head", File: "eye-ring.gcode", Kind: "fen-long", NozzleMM: 0.6, LayerMM: 0.3, Material: "PETG", SizeMM: [3]float64{30, 30, 9}, EstimateS: 0.6 * 3600, MassG: 6, Pieces: 2, Note: "held back"},
		},
		Circuits: []web.Circuit{
			{Name: "north wall", LimitW: 1440, LeasedW: 610, StandingW: 60},
			{Name: "south wall", LimitW: 1440, LeasedW: 1290, StandingW: 140},
		},
		Stock: web.StockView{Margin: 0.05, Eyes: true},
		Tally: web.Tally{JobsWaiting: 3, JobsRunning: 2, JobsDone: 34, JobsDecision: 1, PiecesDone: 52, PiecesWanted: 84, HoursDone: 212.4, HoursLeft: 147.2, GramsUsed: 6120},
		Mishaps: []web.Mishap{
			{ID: 4, RunID: 30, JobID: 42, Printer: "Egret", Part: "Neck segment 3", Result: "failed", Cause: "port-lost",
				Text: "The port vanished while line 402118 was on its way. Look at the cable and the printer's power; the link comes back by itself.", At: ago(26 * time.Minute),
				Line: 402_118, Layer: 387, CompletedMM: 77.4, InProgressMM: 77.6, HeightMM: 180, GramsSpent: 70.6,
				Heat: []web.HeatPoint{
					{At: ago(28 * time.Minute), Heaters: []web.Heater{{Name: "T0", ActualC: 209.8, TargetC: 210}, {Name: "B", ActualC: 60.1, TargetC: 60}}},
					{At: ago(27 * time.Minute), Heaters: []web.Heater{{Name: "T0", ActualC: 210.1, TargetC: 210}, {Name: "B", ActualC: 60, TargetC: 60}}},
					{At: ago(26 * time.Minute), Heaters: []web.Heater{{Name: "T0", ActualC: 209.9, TargetC: 210}, {Name: "B", ActualC: 59.9, TargetC: 60}}},
				},
				WidthMM: 120, Outline: Outline("neck")},
		},
	}
}

// Outline draws a few invented side views, 64 steps from the plate up.
func Outline(shape string) [][2]float64 {
	const steps = 64
	out := make([][2]float64, steps)
	for i := range out {
		t := (float64(i) + 0.5) / steps // 0 at the plate, 1 at the top
		mid, half := 0.5, 0.5
		switch shape {
		case "shell": // a breast that swells and leans back
			half = 0.20 + 0.30*math.Sin(math.Pi*math.Pow(t, 0.8))
			mid = 0.5 + 0.14*math.Sin(1.6*math.Pi*t)*t
		case "neck": // a tube in an S
			half = 0.19 + 0.06*math.Cos(math.Pi*t)
			mid = 0.5 + 0.22*math.Sin(1.7*math.Pi*t)
		case "ribs":
			half = 0.5 - 0.32*t*t
		case "beak":
			half = 0.42 * math.Pow(1-t, 0.8)
			mid = 0.44 + 0.16*t*t
		}
		out[i] = [2]float64{clamp(mid - half), clamp(mid + half)}
	}
	return out
}

func clamp(x float64) float64 { return math.Round(1000*min(1, max(0, x))) / 1000 }

// ribs are the pieces on Curlew's plate.
func ribs() []web.Piece {
	var out []web.Piece
	for i := range 6 {
		l := queue.Label{Part: "Wing rib", Number: 7 + i, Of: 24, Assembly: "Left wing"}
		out = append(out, web.Piece{Place: i + 1, State: "open", Label: l, Write: l.Lines()})
	}
	return out
}
