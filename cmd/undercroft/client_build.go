package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// buildCmd is about builds.
type buildCmd struct {
	List   buildListCmd   `cmd:"" default:"withargs" help:"List the builds and how far each is."`
	Create buildCreateCmd `cmd:"" help:"Begin a build."`
	Show   buildShowCmd   `cmd:"" help:"Show a build: its assemblies and parts, and how far each is."`
	Set    buildSetCmd    `cmd:"" help:"Give a build, or one of its assemblies, a priority, dates, a note."`
}

// buildListCmd lists builds.
type buildListCmd struct{ clientFlags }

// Run prints one line a build.
func (b *buildListCmd) Run(c *client) error {
	var list []web.Build
	if err := c.get("/api/builds", &list); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(list)
	}
	if len(list) == 0 {
		return c.say("No builds. Begin one with 'undercroft build create NAME', or add files with --build NAME.")
	}
	t := newTable(c.out, "BUILD", "GOOD", "MAKING", "WAITING", "MISSING", "HOURS DONE", "LEFT", "GRAMS USED", "LEFT", "DUE")
	for _, b := range list {
		t.row(append(progressRow(named(b.Name), &b.Progress), dateWords(b.Due))...)
	}
	return t.end()
}

// progressRow is a build's, an assembly's or a part's figures.
func progressRow(name string, p *queue.Progress) []string {
	missing := fmt.Sprint(p.Missing)
	if p.Unknown > 0 {
		missing += fmt.Sprintf(" (%d of unknown length)", p.Unknown)
	}
	good := fmt.Sprintf("%d of %d", p.Good, p.Wanted)
	if p.Spare > 0 {
		good += fmt.Sprintf(" + %d", p.Spare)
	}
	return []string{name, good, fmt.Sprint(p.Running + p.OnPlate), fmt.Sprint(p.Waiting), missing, figureOf(p.HoursDone, "h"), figureOf(p.HoursLeft, "h"), figureOf(p.GramsUsed, "g"), figureOf(p.GramsLeft, "g")}
}

func named(name string) string {
	if name == "" {
		return "(none)"
	}
	return name
}

func dateWords(t *time.Time) string {
	if t == nil {
		return "–"
	}
	return t.Format("Mon 2 Jan 2006")
}

// buildCreateCmd begins a build.
type buildCreateCmd struct {
	clientFlags
	Name string `arg:"" help:"The build's name."`
	buildFlags
}

// buildFlags are what may be said of a build.
type buildFlags struct {
	Priority  *string `placeholder:"first|normal|later" help:"Which builds go before others."`
	NotBefore *string `placeholder:"DATE" help:"Nothing of it starts before: 2026-12-05, or '' for no date."`
	Due       *string `placeholder:"DATE" help:"When it is to be ready: 2026-12-05, or '' for no date."`
	Note      *string `placeholder:"TEXT" help:"A note."`
}

func (b *buildFlags) request(name string) web.BuildRequest {
	return web.BuildRequest{Name: name, Priority: b.Priority, NotBefore: b.NotBefore, Due: b.Due, Note: b.Note}
}

// Run asks the daemon.
func (b *buildCreateCmd) Run(c *client) error {
	if err := c.post("/api/builds", b.request(b.Name), nil); err != nil {
		return err
	}
	return c.say("The build %s begins. Add files with --build, or a list with 'undercroft parts in FILE.csv --build'.", b.Name)
}

// buildSetCmd changes a build.
type buildSetCmd struct {
	clientFlags
	Name     string `arg:"" help:"The build's name."`
	Assembly string `placeholder:"NAME" help:"Its assembly, whose date is meant: with --due alone."`
	buildFlags
}

// Run asks the daemon.
func (b *buildSetCmd) Run(c *client) error {
	if b.Assembly != "" {
		if b.Due == nil || b.Priority != nil || b.NotBefore != nil || b.Note != nil {
			return exitf(exitUsage, "an assembly has a date and nothing else: give --due alone")
		}
		if err := c.post("/api/assembly", web.AssemblyRequest{Build: b.Name, Name: b.Assembly, Due: b.Due}, nil); err != nil {
			return err
		}
		return c.say("Noted for %s of %s.", b.Assembly, b.Name)
	}
	if b.Priority == nil && b.NotBefore == nil && b.Due == nil && b.Note == nil {
		return exitf(exitUsage, "say what changes: --priority, --not-before, --due or --note")
	}
	if err := c.post("/api/build", b.request(b.Name), nil); err != nil {
		return err
	}
	return c.say("Noted for %s.", b.Name)
}

// buildShowCmd shows one build.
type buildShowCmd struct {
	clientFlags
	Name string `arg:"" optional:"" help:"The build's name; what belongs to no build when left out."`
}

func (c *client) build(name string) (web.Build, error) {
	var b web.Build
	err := c.get("/api/build?"+url.Values{"build": {name}}.Encode(), &b)
	return b, err
}

// Run prints the assemblies with their parts.
func (b *buildShowCmd) Run(c *client) error {
	v, err := c.build(b.Name)
	if err != nil {
		return err
	}
	if c.json {
		return c.printJSON(v)
	}
	fmt.Fprintf(c.out, "%s: %d of %d pieces good; %.0f h done, about %.0f h left; %.0f g used, about %.0f g left; due %s\n\n",
		plain(named(v.Name)), v.Good, v.Wanted, v.HoursDone, v.HoursLeft, v.GramsUsed, v.GramsLeft, dateWords(v.Due))
	t := newTable(c.out, "ASSEMBLY, PART", "GOOD", "MAKING", "WAITING", "MISSING", "HOURS DONE", "LEFT", "GRAMS USED", "LEFT", "DUE")
	for _, a := range v.Assemblies {
		t.row(append(progressRow(named(a.Name), &a.Progress), dateWords(a.Due))...)
		for _, p := range a.Parts {
			name := "  " + p.Name
			if p.Mirror != "" {
				name += " (mirror of " + p.Mirror + ")"
			}
			t.row(append(progressRow(name, &p.Progress), dateWords(p.Due))...)
		}
	}
	return t.end()
}

// partsCmd is about parts.
type partsCmd struct {
	List partsListCmd `cmd:"" default:"withargs" help:"List a build's parts and the ways of making each."`
	Want partsWantCmd `cmd:"" help:"Say how many of a part are wanted."`
	Pair partsPairCmd `cmd:"" help:"Name two parts as a mirrored pair."`
	Set  partsSetCmd  `cmd:"" help:"Give a part a priority, dates, a note."`
	Way  partsWayCmd  `cmd:"" help:"Note a way of making a part: its seam, its nozzle and layer height."`
	In   partsInCmd   `cmd:"" help:"Take a list of parts from a CSV file, columns in any order."`
	Out  partsOutCmd  `cmd:"" help:"Write a build's parts as CSV, in the columns in which they came."`
}

// partsListCmd lists parts with their ways.
type partsListCmd struct {
	clientFlags
	Build string `arg:"" optional:"" help:"The build's name; what belongs to no build when left out."`
}

// Run prints a line for each file of each way.
func (p *partsListCmd) Run(c *client) error {
	v, err := c.build(p.Build)
	if err != nil {
		return err
	}
	if c.json {
		return c.printJSON(v.Assemblies)
	}
	t := newTable(c.out, "ASSEMBLY", "PART", "GOOD", "WAY", "FILE", "MAKES", "KIND", "NOZZLE", "LAYER", "MATERIAL", "TIME", "MASS")
	for _, a := range v.Assemblies {
		for _, part := range a.Parts {
			row := []string{named(a.Name), part.Name, fmt.Sprintf("%d of %d", part.Good, part.Wanted)}
			lines := 0
			for _, w := range part.Ways {
				way := dash(w.Name)
				if w.Seam != "" {
					way += " (" + w.Seam + ")"
				}
				if len(w.Files) == 0 {
					t.row(append(row, way, "no file yet")...)
					row, lines = []string{"", "", ""}, lines+1
				}
				for _, f := range w.Files {
					t.row(append(row, way, f.File, yieldWords(f.Yields), f.Kind, figure(f.NozzleMM), figure(f.LayerMM), dash(f.Material), span(f.EstimateS), figure(f.MassG)+" g")...)
					row, lines = []string{"", "", ""}, lines+1
				}
			}
			if lines == 0 {
				t.row(append(row, "–", "no file yet")...)
			}
		}
	}
	return t.end()
}

func yieldWords(list []web.Yield) string {
	var words []string
	for _, y := range list {
		w := fmt.Sprintf("%d × %s", y.Count, y.Part)
		if y.Section != "" {
			w += ", " + y.Section
		}
		words = append(words, w)
	}
	return strings.Join(words, "; ")
}

// partsWantCmd says how many.
type partsWantCmd struct {
	partArg
	Wanted int `arg:"" help:"How many pieces are wanted in all."`
}

// Run asks the daemon.
func (p *partsWantCmd) Run(c *client) error {
	if err := c.post("/api/part", web.PartRequest{PartName: p.name(), Wanted: &p.Wanted}, nil); err != nil {
		return err
	}
	return c.say("%s of %s wanted.", count(p.Wanted, "piece", "pieces"), p.Part)
}

// partsPairCmd names a pair.
type partsPairCmd struct {
	partArg
	Other string `arg:"" help:"The part that is its mirror image; '' to part them."`
}

// Run asks the daemon.
func (p *partsPairCmd) Run(c *client) error {
	if err := c.post("/api/part", web.PartRequest{PartName: p.name(), Mirror: &p.Other}, nil); err != nil {
		return err
	}
	if p.Other == "" {
		return c.say("%s is no half of a pair any more.", p.Part)
	}
	return c.say("%s and %s are mirror images of each other.", p.Part, p.Other)
}

// partsSetCmd changes a part.
type partsSetCmd struct {
	partArg
	buildFlags
}

// Run asks the daemon.
func (p *partsSetCmd) Run(c *client) error {
	if p.Priority == nil && p.NotBefore == nil && p.Due == nil && p.Note == nil {
		return exitf(exitUsage, "say what changes: --priority, --not-before, --due or --note")
	}
	if err := c.post("/api/part", web.PartRequest{PartName: p.name(), Priority: p.Priority, NotBefore: p.NotBefore, Due: p.Due, Note: p.Note}, nil); err != nil {
		return err
	}
	return c.say("Noted for %s.", p.Part)
}

// partsWayCmd notes a way.
type partsWayCmd struct {
	partArg
	Way    string   `arg:"" help:"The way's name; '' where there is only one."`
	Seam   *string  `placeholder:"TEXT" help:"What is to be joined, and how."`
	Nozzle *float64 `placeholder:"MM" help:"The nozzle that it is for."`
	Layer  *float64 `placeholder:"MM" help:"The layer height that it is for."`
	Note   *string  `placeholder:"TEXT" help:"A note."`
}

// Run asks the daemon.
func (p *partsWayCmd) Run(c *client) error {
	if err := c.post("/api/way", web.WayRequest{PartName: p.name(), Way: p.Way, Seam: p.Seam, NozzleMM: p.Nozzle, LayerMM: p.Layer, Note: p.Note}, nil); err != nil {
		return err
	}
	return c.say("Noted for %s.", p.Part)
}

// partsInCmd takes a list.
type partsInCmd struct {
	clientFlags
	File     string `arg:"" help:"The CSV file; '-' for standard input."`
	Build    string `placeholder:"NAME" help:"The build of lines that name none."`
	TakeGood bool   `help:"Take the good lines although others are bad."`
	DryRun   bool   `help:"Only say what would be done."`
}

// Run sends the list and prints every bad line.
func (p *partsInCmd) Run(c *client) error {
	src := io.Reader(os.Stdin)
	if p.File != "-" {
		f, err := os.Open(p.File)
		if err != nil {
			return exitf(exitNotFound, "the list cannot be read: %v", err)
		}
		defer f.Close()
		src = f
	}
	q := url.Values{"build": {p.Build}}
	if p.TakeGood {
		q.Set("take_good", "true")
	}
	if p.DryRun {
		q.Set("dry_run", "true")
	}
	ctx, cancel := context.WithTimeout(context.Background(), answerTime)
	defer cancel()
	var r web.PartsReport
	if err := c.do(ctx, http.MethodPost, "/api/parts.csv?"+q.Encode(), "text/csv", src, &r); err != nil {
		return err
	}
	bad := len(r.Bad) > 0 && !p.TakeGood && !p.DryRun
	if c.json {
		if err := c.printJSON(r); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(c.out, "Read as %s.\n", plain(r.Read))
		for _, col := range r.Columns {
			is := col.Is
			if is == "" {
				is = "kept, and written out again"
			}
			fmt.Fprintf(c.out, "  %s: %s\n", plain(col.Header), is)
		}
		for _, b := range r.Bad {
			fmt.Fprintf(c.err, "line %d: %s\n", b.Line, plain(b.Text))
		}
		fmt.Fprintf(c.out, "%s, %d bad, %d taken.\n", count(r.Lines, "line", "lines"), len(r.Bad), r.Taken)
	}
	if bad {
		return exitf(exitRefused, "nothing was taken; correct the lines, or take the others with --take-good")
	}
	return nil
}

// partsOutCmd writes a list.
type partsOutCmd struct {
	clientFlags
	Build string `arg:"" optional:"" help:"The build's name; what belongs to no build when left out."`
	To    string `short:"o" placeholder:"FILE" help:"Write it here; to standard output when left out."`
}

// Run asks the daemon.
func (p *partsOutCmd) Run(c *client) error {
	text, err := c.raw("/api/parts.csv?" + url.Values{"build": {p.Build}}.Encode())
	if err != nil {
		return err
	}
	if p.To == "" {
		_, err = io.WriteString(c.out, text)
		return err
	}
	if err := os.WriteFile(p.To, []byte(text), 0o644); err != nil {
		return exitf(exitInternal, "the list cannot be written: %v", err)
	}
	return c.say("Written to %s.", p.To)
}
