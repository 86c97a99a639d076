package webtest

import (
	"context"
	"time"

	"undercroft/web"
)

// Runs gives the same few runs for every printer.
func (h *House) Runs(_ context.Context, name string) ([]web.RunRecord, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.fail != nil {
		return nil, h.fail
	}
	if _, err := h.printer(name); err != nil {
		return nil, err
	}
	ago := func(d time.Duration) time.Time { return h.view.At.Add(-d) }
	ended := func(d time.Duration) *time.Time { t := ago(d); return &t }
	one := 1
	return []web.RunRecord{
		{ID: 32, JobID: 43, Part: "Beak, lower", StartedAt: ago(3 * time.Minute), EstimateS: 4.9 * 3600},
		{ID: 27, JobID: 36, Part: "Beak, upper", StartedAt: ago(30 * time.Hour), EndedAt: ended(24 * time.Hour), EstimateS: 5.6 * 3600, Result: "finished", CompletedMM: 132, Grams: 78, Resends: 1, Good: &one},
		{ID: 22, JobID: 36, Part: "Beak, upper", StartedAt: ago(40 * time.Hour), EndedAt: ended(38 * time.Hour), EstimateS: 5.6 * 3600, Result: "failed", Cause: "stalled", CompletedMM: 41.4, Grams: 25},
	}, nil
}
