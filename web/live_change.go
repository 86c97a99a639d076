package web

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"
)

// Live messages. A client gets one snapshot, then changes whose seq follows on
// by one each; a gap means that it must connect anew. Within a quiet stretch a
// still message, with the seq of the last change, says that the line is alive.
type (
	snapshotMessage struct {
		Type string `json:"type"` // "snapshot"
		Seq  uint64 `json:"seq"`
		View View   `json:"view"`
	}

	// changeMessage holds whole entities that differ from the last message. The
	// outline of a run is left out when the client has it: the run's id is the same
	// as in the printer it knows. So is the outline of what lies on a plate, by the
	// plate's run_id.
	changeMessage struct {
		Type     string    `json:"type"` // "change"
		Seq      uint64    `json:"seq"`
		At       time.Time `json:"at"`
		Printers []Printer `json:"printers,omitempty"`
		// PrinterOrder and JobOrder list all there are, when that list changed; what
		// is not in it is gone.
		PrinterOrder []string `json:"printer_order,omitempty"`
		Jobs         []Job    `json:"jobs,omitempty"`
		JobOrder     *[]int64 `json:"job_order,omitempty"`
		Rest         *rest    `json:"rest,omitempty"`
	}

	stillMessage struct {
		Type string `json:"type"` // "still"
		Seq  uint64 `json:"seq"`
	}

	// rest is everything in a View but its instant, printers and jobs.
	rest struct {
		Zone     string    `json:"zone"`
		Pace     float64   `json:"pace"`
		Demo     bool      `json:"demo"`
		Title    string    `json:"title"`
		Hours    Hours     `json:"hours"`
		Circuits []Circuit `json:"circuits"`
		Tally    Tally     `json:"tally"`
		Stock    StockView `json:"stock"`
		Mishaps  []Mishap  `json:"mishaps"`
		Calls    CallsView `json:"calls"`
	}
)

func restOf(v View) rest {
	return rest{v.Zone, v.Pace, v.Demo, v.Title, v.Hours, v.Circuits, v.Tally, v.Stock, v.Mishaps, v.Calls}
}

// picture is a View taken apart into encoded entities, so that what changed is
// found by comparing bytes.
type picture struct {
	at       time.Time
	printers map[string][]byte
	runs     map[string]int64 // id of each printer's run, 0 without
	plates   map[string]int64 // id of the run that lies on each plate, 0 without
	names    []string
	jobs     map[int64][]byte
	ids      []int64
	rest     []byte
}

func pictureOf(v View) (picture, error) {
	p := picture{
		at:       v.At,
		printers: make(map[string][]byte, len(v.Printers)),
		runs:     make(map[string]int64, len(v.Printers)),
		plates:   make(map[string]int64, len(v.Printers)),
		jobs:     make(map[int64][]byte, len(v.Jobs)),
	}
	var err error
	for _, printer := range v.Printers {
		p.names = append(p.names, printer.Name)
		if p.printers[printer.Name], err = json.Marshal(printer); err != nil {
			return picture{}, err
		}
		if printer.Run != nil {
			p.runs[printer.Name] = printer.Run.ID
		}
		p.plates[printer.Name] = printer.Plate.RunID
	}
	for _, job := range v.Jobs {
		p.ids = append(p.ids, job.ID)
		if p.jobs[job.ID], err = json.Marshal(job); err != nil {
			return picture{}, err
		}
	}
	p.rest, err = json.Marshal(restOf(v))
	return p, err
}

// changeSince is what a client that knows old must be told of v, whose picture
// is now; ok is false when there is nothing.
func changeSince(old, now picture, v View) (m changeMessage, ok bool) {
	m = changeMessage{Type: "change", At: v.At}
	for _, printer := range v.Printers {
		if bytes.Equal(old.printers[printer.Name], now.printers[printer.Name]) {
			continue
		}
		if printer.Run != nil && old.runs[printer.Name] == printer.Run.ID {
			run := *printer.Run
			run.Outline = nil
			printer.Run = &run
		}
		if id := printer.Plate.RunID; id != 0 && old.plates[printer.Name] == id {
			printer.Plate.Outline = nil
		}
		m.Printers = append(m.Printers, printer)
	}
	for _, job := range v.Jobs {
		if !bytes.Equal(old.jobs[job.ID], now.jobs[job.ID]) {
			m.Jobs = append(m.Jobs, job)
		}
	}
	if !slices.Equal(old.names, now.names) {
		m.PrinterOrder = now.names
	}
	if !slices.Equal(old.ids, now.ids) {
		ids := listed(now.ids)
		m.JobOrder = &ids
	}
	if !bytes.Equal(old.rest, now.rest) {
		r := restOf(v)
		m.Rest = &r
	}
	ok = m.Printers != nil || m.Jobs != nil || m.PrinterOrder != nil || m.JobOrder != nil || m.Rest != nil
	return m, ok
}
