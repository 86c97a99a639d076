package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"

	"undercroft/web"
)

// addCmd sends files to the daemon, one after the other.
type addCmd struct {
	clientFlags
	Files      []string `arg:"" name:"file" help:"G-code files; with --by-hand the names of parts."`
	Kind       string   `placeholder:"KIND" help:"The kind of printer that the files were sliced for; may be left out where there is one kind."`
	Part       string   `placeholder:"NAME" help:"Which part a file makes; from the file's name when left out."`
	Assembly   string   `placeholder:"NAME" help:"The assembly that the part belongs to."`
	Build      string   `placeholder:"NAME" help:"The build that it belongs to; a new name begins one."`
	Way        string   `placeholder:"NAME" help:"Which way of making the part this is: whole, two halves, fine …"`
	Section    string   `placeholder:"NAME" help:"The section of the part that the file makes, such as 'left half'."`
	Seam       string   `placeholder:"TEXT" help:"What is to be joined, of a part in sections."`
	Yields     string   `placeholder:"PART=N,…" help:"What one print of a plate of many makes: 'rib=4, foot=2'."`
	Mirror     string   `placeholder:"PART" help:"The part of which this one is the mirror image."`
	WayOnly    bool     `help:"Note the way of making the part, and print nothing yet."`
	ByHand     bool     `help:"No file: the part is made by hand, on a printer without a link. The arguments are parts."`
	Hours      float64  `placeholder:"H" help:"With --by-hand: how long one print takes."`
	Grams      float64  `placeholder:"G" help:"With --by-hand: what one print weighs."`
	Count      int      `placeholder:"N" help:"How many times to print each file (default 1)."`
	Pieces     int      `placeholder:"N" help:"Pieces that one print yields (default 1)."`
	Nozzle     float64  `placeholder:"MM" help:"The nozzle in mm, where the file does not show it."`
	Material   string   `placeholder:"NAME" help:"The material, where the file does not declare it."`
	Colour     string   `placeholder:"NAME" help:"The colour, where it matters."`
	Surface    string   `placeholder:"NAME" help:"The plate surface wanted: smooth, textured, glass …"`
	ClearsSelf bool     `name:"clears-itself" help:"The printer's own clearing routine may clear this from the plate."`
	OnHold     bool     `help:"Queue it on hold."`
}

// Run goes on after a refused file, and ends with its code.
func (a *addCmd) Run(c *client) error {
	var results []addResult
	var worst error
	for _, name := range a.Files {
		added, err := a.one(c, name, web.AddRequest{
			FileName: filepath.Base(name), Kind: a.Kind, Part: a.Part, Assembly: a.Assembly, Build: a.Build, Way: a.Way, Section: a.Section,
			Yields: a.Yields, Mirror: a.Mirror, Seam: a.Seam, WayOnly: a.WayOnly, Colour: a.Colour,
			Count: a.Count, Pieces: a.Pieces, NozzleMM: a.Nozzle, Material: a.Material,
			Surface: a.Surface, ClearsSelf: a.ClearsSelf, OnHold: a.OnHold,
		})
		r := addResult{File: name, Added: added}
		if err != nil {
			worst = err
			r.Error, r.Findings = err.Error(), findingsOf(err)
		}
		results = append(results, r)
		if !c.json {
			r.print(c)
		}
		if code := exitCode(err); err != nil && code != exitRefused && code != exitNotFound {
			break // the daemon is gone, or does not let us in: the next file would fare no better
		}
	}
	if c.json {
		if err := c.printJSON(results); err != nil {
			return err
		}
	}
	if worst == nil {
		return nil
	}
	return &exitError{code: exitCode(worst), text: worst.Error(), said: true}
}

// one adds a file, or what is made by hand.
func (a *addCmd) one(c *client, name string, req web.AddRequest) (*web.Added, error) {
	if !a.ByHand {
		return c.add(name, req)
	}
	var added web.Added
	err := c.post("/api/by-hand", web.ByHandRequest{Part: name, Assembly: a.Assembly, Build: a.Build, Way: a.Way, Mirror: a.Mirror, Material: a.Material,
		Count: a.Count, Pieces: a.Pieces, Hours: a.Hours, Grams: a.Grams, OnHold: a.OnHold}, &added)
	if err != nil {
		return nil, err
	}
	return &added, nil
}

// addResult is what became of one file; for --json.
type addResult struct {
	File     string        `json:"file"`
	Added    *web.Added    `json:"added,omitempty"`
	Error    string        `json:"error,omitempty"`
	Findings []web.Finding `json:"findings,omitempty"`
}

func (r addResult) print(c *client) {
	if r.Added == nil {
		fmt.Fprintf(c.err, "%s: %s\n", plain(r.File), plain(r.Error))
		printFindings(c.err, r.Findings)
		return
	}
	a := r.Added
	jobs := "job"
	if len(a.JobIDs) > 1 {
		jobs = "jobs"
	}
	known := ""
	if a.Known {
		known = " (its content was here already)"
	}
	if len(a.JobIDs) == 0 {
		fmt.Fprintf(c.out, "%s: noted as a way, nothing is queued%s\n", plain(r.File), known)
	} else {
		fmt.Fprintf(c.out, "%s: %s %s%s\n", plain(r.File), jobs, numbers(a.JobIDs), known)
	}
	if a.Layers == 0 {
		fmt.Fprintf(c.out, "  %s, %s g, by hand; when a person starts it: undercroft begin JOB --on PRINTER\n", span(a.EstimateS), figure(a.MassG))
		return
	}
	fmt.Fprintf(c.out, "  %s, %s mm high in %s, %s mm nozzle, %s, %s g\n",
		span(a.EstimateS), figure(a.HeightMM), count(a.Layers, "layer", "layers"), figure(a.NozzleMM), dash(a.Material), figure(a.MassG))
	printFindings(c.out, a.Warnings)
}

func printFindings(w interface{ Write([]byte) (int, error) }, findings []web.Finding) {
	for _, f := range findings {
		where := ""
		if f.Line > 0 {
			where = fmt.Sprintf("line %d: ", f.Line)
		}
		fmt.Fprintf(w, "  %s%s [%s]\n", where, plain(f.Text), plain(f.Code))
	}
}

func numbers(ids []int64) string {
	s := ""
	for i, id := range ids {
		switch {
		case i > 0 && i == len(ids)-1:
			s += " and "
		case i > 0:
			s += ", "
		}
		s += fmt.Sprint(id)
	}
	return s
}

func findingsOf(err error) []web.Finding {
	var e *exitError
	if errors.As(err, &e) {
		return e.findings
	}
	return nil
}

func (c *client) add(name string, req web.AddRequest) (*web.Added, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, exitf(exitNotFound, "the file cannot be read: %v", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, exitf(exitNotFound, "the file cannot be read: %v", err)
	}
	if !info.Mode().IsRegular() {
		return nil, exitf(exitNotFound, "this is no file but a %s", kindOfNode(info.Mode()))
	}
	var added web.Added
	err = c.do(context.Background(), http.MethodPost, "/api/files?"+req.Query().Encode(), "text/x-gcode", f, &added)
	if err != nil {
		return nil, err
	}
	return &added, nil
}

func kindOfNode(m os.FileMode) string {
	if m.IsDir() {
		return "directory"
	}
	return "device or pipe"
}
