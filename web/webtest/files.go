package webtest

import (
	"context"
	"io"
	"strings"
	"time"

	"undercroft/web"
)

// Look follows web.FilesIn: what begins with ';' or 'G' would be taken; a file
// named 'known' is.
func (h *House) Look(_ context.Context, req web.AddRequest, body io.Reader) (web.Look, error) {
	head := make([]byte, 1)
	if _, err := io.ReadFull(body, head); err != nil && err != io.EOF {
		return web.Look{}, err
	}
	n, err := io.Copy(io.Discard, body)
	if err != nil {
		return web.Look{}, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return web.Look{}, h.fail
	}
	l := web.Look{FileName: req.FileName, SHA256: strings.Repeat("5e", 32), Bytes: n + 1, Lines: 611_204, Kind: "fen-small", Part: strings.TrimSuffix(req.FileName, ".gcode"),
		NozzleMM: 0.4, Material: "PETG", EstimateS: 9360, MassG: 84, Layers: 310, LayerMM: 0.2, SizeMM: [3]float64{80, 60, 62}, Outline: Outline("neck"),
		Known:    strings.Contains(req.FileName, "known"),
		Warnings: []web.Finding{{Code: "thick-layer", Line: 12, Text: "0.34 mm layers are more than 80 % of a 0.4 mm nozzle"}}}
	if req.Kind != "" {
		l.Kind = req.Kind
	}
	if !strings.ContainsAny(string(head), ";G") {
		l.Warnings, l.Outline, l.SizeMM, l.EstimateS, l.Layers = nil, nil, [3]float64{}, 0, 0
		l.Refused = []web.Finding{
			{Code: "not-gcode", Line: 1, Text: "the first line is not G-code; slice the model first"},
			{Code: "beyond-build-volume", Line: 88, Text: "X 312 mm is beyond the bed, which ends at 300 mm"},
		}
	}
	return l, nil
}

// Inbox has a file that waits and one that was refused.
func (h *House) Inbox(context.Context) (web.Inbox, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return web.Inbox{Folder: "/srv/heron/inbox",
		Waiting: []web.InboxFile{{Name: "Heron/Left wing/wing-rib x4.gcode", Bytes: 18_400_221, At: h.view.At.Add(-2 * time.Second)}},
		Refused: []web.InboxFile{{Name: "Heron/heron.stl", Bytes: 2_204_118, At: h.view.At.Add(-3 * time.Hour), Why: "heron.stl was refused; nothing was stored\n  line 1: the first line is not G-code; slice the model first"}},
	}, h.fail
}

// Surfaces is a short table, one line of it the owner's.
func (h *House) Surfaces(context.Context) ([]web.Surface, error) {
	return []web.Surface{
		{Material: "PETG", Suits: []string{"textured", "coated"}},
		{Material: "PLA", Suits: []string{"smooth", "textured", "coated", "glass"}},
		{Material: "PLA-CF", Suits: []string{}, Owner: true},
	}, nil
}

// Windows has somebody home from 17 to 23 o'clock, and nothing hot from 1 to 5.
func (h *House) Windows(_ context.Context, from, to time.Time) (web.Windows, error) {
	w := web.Windows{From: from, To: to}
	for day := from.Truncate(24 * time.Hour); day.Before(to); day = day.Add(24 * time.Hour) {
		w.Cold = append(w.Cold, web.Window{From: day.Add(time.Hour), To: day.Add(5 * time.Hour)})
		w.Home = append(w.Home, web.Window{From: day.Add(17 * time.Hour), To: day.Add(23 * time.Hour)})
	}
	return w, nil
}
