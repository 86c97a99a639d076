package web

import (
	"context"
	"time"
)

// RunHouse is what a House knows of the runs of one printer.
type RunHouse interface {
	// Runs lists the newest runs of a printer, newest first, at most MostRuns.
	Runs(ctx context.Context, printer string) ([]RunRecord, error)
}

// MostRuns bounds a printer's history in one answer.
const MostRuns = 100

// RunRecord is a run of a printer as it was recorded.
type RunRecord struct {
	ID          int64      `json:"id"`
	JobID       int64      `json:"job_id"`
	Part        string     `json:"part"`
	StartedAt   time.Time  `json:"started_at"`
	EndedAt     *time.Time `json:"ended_at,omitempty"` // nil: it goes on
	EstimateS   float64    `json:"estimate_s"`
	Result      string     `json:"result"` // finished, failed, cancelled, interrupted; empty: it goes on
	Cause       string     `json:"cause,omitempty"`
	CompletedMM float64    `json:"completed_mm"`
	Grams       float64    `json:"grams"`
	Resends     int64      `json:"resends"`
	Good        *int       `json:"good,omitempty"` // pieces; nil: nobody said
}

// LinkHealth says how the line to a printer does.
type LinkHealth struct {
	RTTp50MS  float64 `json:"rtt_p50_ms"` // from a command to its ok; 0 while unknown
	RTTp99MS  float64 `json:"rtt_p99_ms"`
	LineShare float64 `json:"line_share"` // of the line's byte rate while streaming; 0 while unknown
	StarvedS  float64 `json:"starved_s"`  // in which the planner was believed to run dry
	Window    int     `json:"window"`     // bytes that may be ahead of the last ok; 0: one line at a time
	Numbered  bool    `json:"numbered"`   // the firmware checks line numbers: no line is lost unnoticed
	Timeouts  int64   `json:"timeouts"`
	Audits    int64   `json:"audits"` // positions that the firmware reported as expected
}
