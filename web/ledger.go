package web

import (
	"context"
	"io"
	"time"

	"undercroft/queue"
)

// Ledger is the part of a House that knows builds, parts and pieces. Names find
// what they name in any case; an empty build is that of what belongs to none.
type Ledger interface {
	Builds(ctx context.Context) ([]Build, error) // without their parts
	Build(ctx context.Context, name string) (Build, error)
	CreateBuild(ctx context.Context, r BuildRequest) error
	ChangeBuild(ctx context.Context, r BuildRequest) error
	ChangeAssembly(ctx context.Context, r AssemblyRequest) error
	ChangePart(ctx context.Context, r PartRequest) error
	ChangeWay(ctx context.Context, r WayRequest) error
	// Bad reopens a part whose good piece failed a later look.
	Bad(ctx context.Context, r BadRequest) ([]Piece, error)

	// PartsIn takes a list of parts as CSV, or says what is wrong with it.
	PartsIn(ctx context.Context, r PartsRequest, body io.Reader) (PartsReport, error)
	PartsOut(ctx context.Context, build string, to io.Writer) error

	Again(ctx context.Context, jobID int64) (int64, error) // the new job's number
	Order(ctx context.Context, r OrderRequest) error
	Confine(ctx context.Context, jobID int64, r ConfineRequest) error
	Yield(ctx context.Context, jobID int64, y Yielded) error
	AddByHand(ctx context.Context, r ByHandRequest) (Added, error)
	Begin(ctx context.Context, jobID int64, printer string) error
	End(ctx context.Context, jobID int64, y Yielded) error
}

// Build is one thing being made.
type Build struct {
	Name      string     `json:"name"` // empty: what belongs to no build
	Priority  string     `json:"priority"`
	NotBefore *time.Time `json:"not_before,omitempty"`
	Due       *time.Time `json:"due,omitempty"`
	Note      string     `json:"note"`
	queue.Progress
	Assemblies []Assembly `json:"assemblies"`
}

// Assembly is a group of parts; one without a name holds those of none.
type Assembly struct {
	Name string     `json:"name"`
	Due  *time.Time `json:"due,omitempty"`
	queue.Progress
	Parts []Part `json:"parts"`
}

// Part is one piece of a build, wanted a number of times.
type Part struct {
	Name      string     `json:"name"`
	Counted   bool       `json:"counted"` // nobody has said how many: what was added counts
	Priority  string     `json:"priority"`
	NotBefore *time.Time `json:"not_before,omitempty"`
	Due       *time.Time `json:"due,omitempty"`
	Mirror    string     `json:"mirror"` // the other part of a mirrored pair
	Note      string     `json:"note"`
	queue.Progress
	Ways []Way `json:"ways"`
}

// Way is one way of making a part.
type Way struct {
	Name     string    `json:"name"`
	Sections []string  `json:"sections"` // empty when it is made whole
	Seam     string    `json:"seam"`
	NozzleMM float64   `json:"nozzle_mm"` // 0: as the files say
	LayerMM  float64   `json:"layer_mm"`
	Note     string    `json:"note"`
	Files    []WayFile `json:"files"`
}

// WayFile is one file of a way, and all that one print of it makes.
type WayFile struct {
	File      string  `json:"file"`
	SHA256    string  `json:"sha256"`
	Kind      string  `json:"kind"`
	NozzleMM  float64 `json:"nozzle_mm"`
	LayerMM   float64 `json:"layer_mm"`
	Material  string  `json:"material"`
	Colour    string  `json:"colour"`
	EstimateS float64 `json:"estimate_s"`
	MassG     float64 `json:"mass_g"`
	Yields    []Yield `json:"yields"`
	// HeightMM, WidthMM and Outline are the side silhouette, as in Run; of what is
	// made by hand, and of a plate of many, there may be none.
	HeightMM float64      `json:"height_mm,omitempty"`
	WidthMM  float64      `json:"width_mm,omitempty"`
	Outline  [][2]float64 `json:"outline,omitempty"`
}

// Yield is how many of a part one print makes.
type Yield struct {
	Part     string `json:"part"`
	Assembly string `json:"assembly"`
	Way      string `json:"way"`
	Section  string `json:"section"` // empty: the whole
	Count    int    `json:"count"`
}

// Piece is one thing on a plate, and what to write on it.
type Piece struct {
	Place int    `json:"place"` // on its plate, from 1
	State string `json:"state"` // open, good, failed, reopened
	queue.Label
	Write []string `json:"write"` // the lines, the most important first
}

// BuildRequest says of a build what is to change; what is left out stays.
type BuildRequest struct {
	Name      string  `json:"name" maxLength:"200"`
	Priority  *string `json:"priority,omitempty" doc:"first, normal or later"`
	NotBefore *string `json:"not_before,omitempty" doc:"a day as 2026-12-05, an instant in RFC 3339, or empty for none"`
	Due       *string `json:"due,omitempty" doc:"likewise; a day counts to its end"`
	Note      *string `json:"note,omitempty" maxLength:"2000"`
}

// AssemblyRequest gives an assembly a date.
type AssemblyRequest struct {
	Build string  `json:"build" required:"false" maxLength:"200"`
	Name  string  `json:"name" minLength:"1" maxLength:"200"`
	Due   *string `json:"due,omitempty" doc:"a day as 2026-12-05, an instant in RFC 3339, or empty for none"`
}

// PartName names a part: the assembly, and the build where that is not enough,
// may be left out where only one part has the name.
type PartName struct {
	Part     string `json:"part" minLength:"1" maxLength:"200"`
	Assembly string `json:"assembly" required:"false" maxLength:"200"`
	Build    string `json:"build" required:"false" maxLength:"200"`
}

// PartRequest says of a part what is to change; what is left out stays.
type PartRequest struct {
	PartName
	Wanted    *int    `json:"wanted,omitempty" minimum:"0" maximum:"10000"`
	Priority  *string `json:"priority,omitempty" doc:"first, normal, later, or empty: that of its build"`
	NotBefore *string `json:"not_before,omitempty"`
	Due       *string `json:"due,omitempty"`
	Note      *string `json:"note,omitempty" maxLength:"2000"`
	Mirror    *string `json:"mirror,omitempty" maxLength:"200" doc:"the other part of the pair, empty to part them"`
}

// WayRequest notes something of a way; a new name makes the way.
type WayRequest struct {
	PartName
	Way      string   `json:"way" maxLength:"200"`
	Seam     *string  `json:"seam,omitempty" maxLength:"500"`
	NozzleMM *float64 `json:"nozzle_mm,omitempty" minimum:"0" maximum:"3"`
	LayerMM  *float64 `json:"layer_mm,omitempty" minimum:"0" maximum:"2"`
	Note     *string  `json:"note,omitempty" maxLength:"2000"`
}

// BadRequest names a piece that failed a later look.
type BadRequest struct {
	PartName
	Number  int    `json:"number" minimum:"1"`
	Section string `json:"section" required:"false" maxLength:"200" doc:"of a piece in sections; empty: all of it"`
	Why     string `json:"why" required:"false" maxLength:"500"`
}

// OrderRequest puts jobs before the others of their priority, or takes their
// places away.
type OrderRequest struct {
	Jobs []int64 `json:"jobs" minItems:"1" maxItems:"1000" nullable:"false"`
	Free bool    `json:"free" required:"false"`
}

// ConfineRequest says where a job may run.
type ConfineRequest struct {
	OnlyOn []string `json:"only_on" required:"false" maxItems:"100" nullable:"true"`
	NotOn  []string `json:"not_on" required:"false" maxItems:"100" nullable:"true"`
}

// Yielded is what a person found of a job's pieces; all are good when nothing is
// said.
type Yielded struct {
	Good    *int     `json:"good" required:"false" minimum:"0" nullable:"true"`
	Bad     []int    `json:"bad" required:"false" maxItems:"1000" nullable:"true" doc:"which are bad, by their place on the plate, from 1"`
	BadFrom *float64 `json:"bad_from_mm,omitempty"`
}

// ByHandRequest describes what is made without a link.
type ByHandRequest struct {
	Part     string  `json:"part" minLength:"1" maxLength:"200"`
	Assembly string  `json:"assembly" required:"false" maxLength:"200"`
	Build    string  `json:"build" required:"false" maxLength:"200"`
	Way      string  `json:"way" required:"false" maxLength:"200"`
	Mirror   string  `json:"mirror" required:"false" maxLength:"200"`
	Material string  `json:"material" required:"false" maxLength:"100"`
	Count    int     `json:"count" required:"false" minimum:"0" maximum:"500"`
	Pieces   int     `json:"pieces" required:"false" minimum:"0" maximum:"1000" doc:"made at once; 0 is 1"`
	Hours    float64 `json:"hours" required:"false" minimum:"0" maximum:"1000"`
	Grams    float64 `json:"grams" required:"false" minimum:"0" maximum:"100000"`
	OnHold   bool    `json:"on_hold" required:"false"`
}

// PartsRequest says what to do with a list of parts.
type PartsRequest struct {
	Build    string // for lines that name none
	TakeGood bool   // take the good lines although others are bad
	DryRun   bool   // only say what would be done
}

// PartsReport is what became of a list of parts.
type PartsReport struct {
	Taken   int       `json:"taken"` // lines
	Lines   int       `json:"lines"`
	Columns []Column  `json:"columns"`
	Bad     []BadLine `json:"bad"`
	Read    string    `json:"read"` // how it was written: encoding, separator
}

// Column says which column of the list was taken for what.
type Column struct {
	Header string `json:"header"`
	Is     string `json:"is"` // empty: it is kept for nothing
}

// BadLine is a line of the list that cannot be taken.
type BadLine struct {
	Line int    `json:"line"`
	Text string `json:"text"`
}
