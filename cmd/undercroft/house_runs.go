package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"undercroft/cmd/undercroft/config"
	"undercroft/fleet/link"
	"undercroft/queue"
	"undercroft/web"
)

// Runs lists what a printer did lately.
func (h *house) Runs(ctx context.Context, printer string) ([]web.RunRecord, error) {
	if !slices.ContainsFunc(h.config().Printers, func(c config.Printer) bool { return c.Name == printer }) {
		return nil, fmt.Errorf("no printer is called %q; 'undercroft printers' lists them: %w", printer, queue.ErrNotFound)
	}
	list, err := h.store.RunsOn(ctx, printer, web.MostRuns)
	if err != nil {
		return nil, err
	}
	out := make([]web.RunRecord, len(list))
	for i, r := range list {
		out[i] = web.RunRecord{
			ID: r.ID, JobID: r.JobID, Part: r.Part, StartedAt: r.StartedAt, EstimateS: r.EstimateS,
			Result: string(r.Result), Cause: string(r.Cause), CompletedMM: r.CompletedMM, Grams: r.Grams, Resends: r.Resends, Good: r.Good,
		}
		if !r.EndedAt.IsZero() {
			out[i].EndedAt = &r.EndedAt
		}
	}
	return out, nil
}

// linkView rounds what a page shows of a line: a change that nobody could see is
// not worth a message to every page.
func linkView(s *link.State) web.LinkHealth {
	ms := func(d time.Duration) float64 { return math.Round(float64(d)/1e5) / 10 }
	return web.LinkHealth{
		RTTp50MS: ms(s.RTTp50), RTTp99MS: ms(s.RTTp99), LineShare: math.Round(100*s.LineShare) / 100, StarvedS: math.Round(s.Starved.Seconds()),
		Window: s.Window, Numbered: s.Numbered, Timeouts: s.Timeouts, Audits: s.Audits,
	}
}
