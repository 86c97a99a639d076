package web

import (
	"context"
	"io"
	"time"
)

// FilesIn is the part of a House that reads files before they are taken.
type FilesIn interface {
	// Look reads a file as Add would, and keeps nothing of it. What Add would
	// refuse stands in the Look's Refused; an error is what keeps it from being read.
	Look(ctx context.Context, req AddRequest, body io.Reader) (Look, error)
	Inbox(ctx context.Context) (Inbox, error)
}

// Look is what a file shows before it is taken.
type Look struct {
	FileName  string       `json:"file_name"`
	SHA256    string       `json:"sha256"`
	Bytes     int64        `json:"bytes"`
	Lines     int64        `json:"lines"`
	Known     bool         `json:"known"` // the same content is there already
	Kind      string       `json:"kind"`  // the kind of printer it was read for
	Part      string       `json:"part"`  // by its name, unless the request says
	NozzleMM  float64      `json:"nozzle_mm"`
	Material  string       `json:"material"`
	EstimateS float64      `json:"estimate_s"`
	MassG     float64      `json:"mass_g"`
	Layers    int          `json:"layers"`
	LayerMM   float64      `json:"layer_mm"`
	SizeMM    [3]float64   `json:"size_mm"` // extruded extents
	Outline   [][2]float64 `json:"outline,omitempty"`
	Warnings  []Finding    `json:"warnings"`
	Refused   []Finding    `json:"refused"` // empty: it would be taken
}

// Inbox is the folder that files are put into, as it is now.
type Inbox struct {
	Folder  string      `json:"folder"` // empty: the house has none
	Waiting []InboxFile `json:"waiting"`
	Refused []InboxFile `json:"refused"` // newest first
	More    bool        `json:"more"`    // there are more than these
}

// InboxFile is one file in it.
type InboxFile struct {
	Name  string    `json:"name"` // below the folder
	Bytes int64     `json:"bytes"`
	At    time.Time `json:"at"`  // when it was last written
	Why   string    `json:"why"` // why it was refused
}
