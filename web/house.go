// Package web is the HTTP side: API, live websocket, embedded pages. It decodes,
// calls the House and encodes; it decides nothing about printers or jobs.
package web

import (
	"context"
	"io"
	"time"

	"undercroft/queue"
)

// House is all that the pages, the API and the commands can see and do. The
// daemon implements it. Errors wrap the kinds in package queue.
type House interface {
	// View is a consistent copy of everything that the pages show.
	View(ctx context.Context) (View, error)
	// Subscribe returns a channel that gets a value (conflated, never blocking
	// the sender) after anything in View changed, and a function to end it.
	Subscribe() (<-chan struct{}, func())

	Add(ctx context.Context, req AddRequest, body io.Reader) (Added, error)
	Jobs(ctx context.Context, all bool) ([]Job, error) // all: the ended ones too
	Why(ctx context.Context, jobID int64) (Why, error)
	Hold(ctx context.Context, jobID int64) error
	Release(ctx context.Context, jobID int64) error
	Cancel(ctx context.Context, jobID int64) error
	// Decide answers a job in needs-decision.
	Decide(ctx context.Context, jobID int64, d Decision) error
	Mishaps(ctx context.Context) ([]Mishap, error)
	// Reprint says what printing only what is missing comes to and, when confirmed,
	// queues it in the job's place.
	Reprint(ctx context.Context, jobID int64, r ReprintRequest) (Reprint, error)
	// Joined answers a remainder's job whose print was good: only then its piece counts.
	Joined(ctx context.Context, jobID int64, j Joined) error

	Cleared(ctx context.Context, printer string, c Cleared) error
	NotYet(ctx context.Context, printer string) error // takes a clearing back while it counts down
	Lend(ctx context.Context, printer string) error
	TakeBack(ctx context.Context, printer string) error
	Stop(ctx context.Context, printer string, cause string) error
	// Pause holds a run off the piece; Resume and Loaded begin to go on with it.
	Pause(ctx context.Context, printer string) error
	Resume(ctx context.Context, printer string) error
	Loaded(ctx context.Context, printer string, l Loaded) error
	// Emergency stops a machine at once. It wraps queue.ErrUnavailable when
	// nothing confirms that it stopped: then only the plug is left.
	Emergency(ctx context.Context, printer string, cause string) error
	Cool(ctx context.Context) ([]Cooled, error)
	// Reload reads the configuration anew; queue.ErrInvalid when it is wrong, and
	// then the old one stays in force.
	Reload(ctx context.Context) (Reloaded, error)
	Fit(ctx context.Context, printer string, f Fit) error
	Service(ctx context.Context, printer string, s Service) error

	SetHours(ctx context.Context, h Hours) error

	StockHouse
	RunHouse
	Ledger
	CallHouse
	FilesIn
	HoursHouse
}

// View is what the pages show. All times are house time in the house's zone.
type View struct {
	At       time.Time `json:"at"`
	Zone     string    `json:"zone"`
	Pace     float64   `json:"pace"` // house seconds per real second: 1 but in the demo
	Demo     bool      `json:"demo"`
	Title    string    `json:"title"` // the build's name, empty when there is none
	Hours    Hours     `json:"hours"`
	Printers []Printer `json:"printers"` // in the configuration's order
	Jobs     []Job     `json:"jobs"`     // all that are not done or cancelled, in queue order
	Circuits []Circuit `json:"circuits"`
	Tally    Tally     `json:"tally"`
	Stock    StockView `json:"stock"`
	Mishaps  []Mishap  `json:"mishaps"` // those that still need a decision, newest first
	Calls    CallsView `json:"calls"`   // what people were called for
}

// Hours are when somebody is home and when nothing may be hot. Answered is
// false until both were given once; nothing starts before.
type Hours struct {
	Answered bool   `json:"answered"`
	Home     string `json:"home"` // e.g. "Mo-Fr 17:00-23:00, Sa-Su 08:00-23:00", or "none"
	Cold     string `json:"cold"` // e.g. "daily 01:00-05:00", or "none"
	ColdNow  bool   `json:"cold_now"`
	HomeNow  bool   `json:"home_now"`
}

type Tally struct {
	JobsWaiting  int     `json:"jobs_waiting"`
	JobsRunning  int     `json:"jobs_running"`
	JobsDone     int     `json:"jobs_done"`
	JobsDecision int     `json:"jobs_needing_decision"`
	PiecesDone   int     `json:"pieces_done"`
	PiecesWanted int     `json:"pieces_wanted"`
	HoursDone    float64 `json:"machine_hours_done"`
	HoursLeft    float64 `json:"machine_hours_left"`
	GramsUsed    float64 `json:"grams_used"`
}

type Printer struct {
	Name       string     `json:"name"`
	Kind       string     `json:"kind"`
	Phase      string     `json:"phase"`
	PhaseSince time.Time  `json:"phase_since"`
	Why        string     `json:"why"`       // one sentence on the phase, or on why it takes nothing
	WaitsFor   string     `json:"waits_for"` // "person", "power", "job", "cold-hours", "" …: what would let it start
	Path       string     `json:"path"`
	VolumeMM   [3]float64 `json:"volume_mm"`
	NozzleMM   float64    `json:"nozzle_mm"` // 0 while unknown
	Plate      Plate      `json:"plate"`
	Spool      Spool      `json:"spool"`
	OutOf      string     `json:"out_of_service"` // reason, empty when in service
	Circuit    string     `json:"circuit"`
	Heaters    []Heater   `json:"heaters"`
	HeatAt     *time.Time `json:"heat_at,omitempty"`
	Run        *Run       `json:"run,omitempty"`
	NextJob    int64      `json:"next_job,omitempty"` // counting down to this job
	NextStart  *time.Time `json:"next_start,omitempty"`
	Resends    int64      `json:"resends"`
	Firmware   string     `json:"firmware"`
	Held       *Held      `json:"held,omitempty"` // why a run is held, in paused
	Warnings   []Warning  `json:"warnings,omitempty"`
	Told       string     `json:"told,omitempty"` // what the machine's firmware last told a person
	// HaltsAtOnce: its firmware reads an emergency stop on receipt. Where it does
	// not, the plug is quicker.
	HaltsAtOnce bool       `json:"halts_at_once"`
	Link        LinkHealth `json:"link"`
}

// Held is a run that waits for a person.
type Held struct {
	By       string    `json:"by"` // person, file, machine, firmware
	Since    time.Time `json:"since"`
	Filament bool      `json:"wants_filament"` // answered with 'loaded'
	Step     string    `json:"step"`           // parks, waits, heats, returns
	Cooled   bool      `json:"cooled"`         // its heat was lowered meanwhile
	Asks     string    `json:"asks,omitempty"` // what the firmware asks at its panel
	Buttons  []string  `json:"buttons,omitempty"`
}

// Warning is something that is wrong, or may be, without having ended a run.
type Warning struct {
	Cause string `json:"cause"`
	Text  string `json:"text"`
}

type Plate struct {
	Surface string `json:"surface"` // "smooth", "textured", "glass", … "" while unknown
	State   string `json:"state"`   // clear, occupied, off, unknown
	// Question is what a person is asked now, in words; empty when nothing is.
	Question string    `json:"question"`
	JobID    int64     `json:"job_id,omitempty"` // what lies on it
	Part     string    `json:"part,omitempty"`
	Pieces   int       `json:"pieces,omitempty"` // pieces that the file yields
	Marks    []Piece   `json:"marks,omitempty"`  // the pieces of the run, and what to write on each
	RunID    int64     `json:"run_id,omitempty"`
	Since    time.Time `json:"since"`
	// The shape of what lies on it, as in Run: drawn until it is taken off.
	CompletedMM float64      `json:"completed_mm,omitempty"`
	HeightMM    float64      `json:"height_mm,omitempty"`
	WidthMM     float64      `json:"width_mm,omitempty"`
	Outline     [][2]float64 `json:"outline,omitempty"`
}

type Spool struct {
	Material string  `json:"material"` // "" when nothing is loaded
	Colour   string  `json:"colour"`
	Grams    float64 `json:"grams_left"` // now, what the run has drawn taken off; 0 while unknown
	// Number is what is written on the reel, 0 when it has none.
	Number     int     `json:"number,omitempty"`
	DiameterMM float64 `json:"diameter_mm,omitempty"`
	Short      *Short  `json:"short,omitempty"` // it ends before the run does
}

type Heater struct {
	Name    string  `json:"name"`
	ActualC float64 `json:"actual_c"`
	TargetC float64 `json:"target_c"`
}

type Run struct {
	ID           int64     `json:"id"`
	JobID        int64     `json:"job_id"`
	Part         string    `json:"part"`
	File         string    `json:"file"`
	StartedAt    time.Time `json:"started_at"`
	EndsAt       time.Time `json:"ends_at"`
	LeftS        float64   `json:"left_s"`
	EstimateS    float64   `json:"estimate_s"`
	LayersDone   int       `json:"layers_done"`
	Layers       int       `json:"layers"`
	CompletedMM  float64   `json:"completed_mm"`
	InProgressMM float64   `json:"in_progress_mm"`
	HeightMM     float64   `json:"height_mm"`
	Line         int64     `json:"line"`
	Lines        int64     `json:"lines"`
	// WidthMM is what 0…1 of Outline spans; 0 while unknown.
	WidthMM float64 `json:"width_mm,omitempty"`
	// Outline is the piece's side silhouette: for each of up to 64 height steps
	// from the plate up, the extent [min,max] in 0…1 of the widest step.
	Outline [][2]float64 `json:"outline,omitempty"`
	// Eyes is the look at its first layer: "", "wanted", "asked" (a person is
	// called), "good", "stop".
	Eyes    string     `json:"eyes,omitempty"`
	EyesWhy string     `json:"eyes_why,omitempty"`
	EyesAt  *time.Time `json:"eyes_at,omitempty"` // when the person was called
}

type Job struct {
	ID         int64      `json:"id"`
	State      string     `json:"state"`
	Part       string     `json:"part"`
	Assembly   string     `json:"assembly"`
	File       string     `json:"file"`
	SHA256     string     `json:"sha256"`
	Kind       string     `json:"kind"`
	NozzleMM   float64    `json:"nozzle_mm"`
	LayerMM    float64    `json:"layer_mm"`
	Material   string     `json:"material"`
	SizeMM     [3]float64 `json:"size_mm"` // extruded extents
	EstimateS  float64    `json:"estimate_s"`
	MassG      float64    `json:"mass_g"`
	Pieces     int        `json:"pieces"`
	Printer    string     `json:"printer"` // where it runs or lies, empty otherwise
	Runs       int        `json:"runs"`
	ClearsSelf bool       `json:"clears_itself"`    // may use the printer's clearing routine
	Build      string     `json:"build"`            // empty: it belongs to none
	Way        string     `json:"way"`              // empty where there is only one
	Yields     []Yield    `json:"yields,omitempty"` // of a plate of many, or of a section
	Colour     string     `json:"colour"`           // empty: it does not matter
	Priority   string     `json:"priority"`
	NotBefore  *time.Time `json:"not_before,omitempty"`
	Due        *time.Time `json:"due,omitempty"`
	Order      int        `json:"order"` // the place that a person gave it, from 1; 0: none
	OnlyOn     []string   `json:"only_on,omitempty"`
	NotOn      []string   `json:"not_on,omitempty"`
	Note       string     `json:"note"` // why it waits or what is to be decided, one sentence
	Warnings   []string   `json:"warnings,omitempty"`
	// RemainderOf is the job whose missing part this one prints; 0: none.
	RemainderOf int64 `json:"remainder_of,omitempty"`
}

type Circuit struct {
	Name      string  `json:"name"`
	LimitW    float64 `json:"limit_w"`
	LeasedW   float64 `json:"leased_w"`
	StandingW float64 `json:"standing_w"`
	Leases    []Lease `json:"leases,omitempty"`
}

// Lease is what a circuit has promised to one printer.
type Lease struct {
	Printer string  `json:"printer"`
	W       float64 `json:"w"`
	Hot     bool    `json:"hot"` // it has heated up: the steady draw
}

type Mishap struct {
	ID           int64        `json:"id"`
	RunID        int64        `json:"run_id"`
	JobID        int64        `json:"job_id"`
	Printer      string       `json:"printer"`
	Part         string       `json:"part"`
	Result       string       `json:"result"` // failed, interrupted, cancelled, bad-yield
	Cause        string       `json:"cause"`
	Text         string       `json:"text"`
	At           time.Time    `json:"at"`
	Line         int64        `json:"line"`
	Layer        int          `json:"layer"` // layers certainly completed
	CompletedMM  float64      `json:"completed_mm"`
	InProgressMM float64      `json:"in_progress_mm"`
	HeightMM     float64      `json:"height_mm"`
	GramsSpent   float64      `json:"grams_spent"`
	Heat         []HeatPoint  `json:"heat,omitempty"`
	Decided      string       `json:"decided"` // "", "again", "given-up", "remainder"
	WidthMM      float64      `json:"width_mm,omitempty"`
	Outline      [][2]float64 `json:"outline,omitempty"`
}

type HeatPoint struct {
	At      time.Time `json:"at"`
	Heaters []Heater  `json:"heaters"`
}

// AddRequest says of a file what the file does not say for sure itself.
type AddRequest struct {
	FileName   string  `json:"file_name"`
	Kind       string  `json:"kind"` // empty: the only kind there is
	Part       string  `json:"part"` // empty: from the file's name
	Assembly   string  `json:"assembly"`
	Build      string  `json:"build"`     // empty: it belongs to none
	Way        string  `json:"way"`       // the way of making the part; empty where there is one
	Section    string  `json:"section"`   // of the part, that this file makes; empty: the whole of it
	Yields     string  `json:"yields"`    // of a plate of many, 'rib=4, foot=2'; empty: Pieces of Part
	Mirror     string  `json:"mirror"`    // the part of which this one is the mirror image
	Seam       string  `json:"seam"`      // what is to be joined, of a way in sections
	WayOnly    bool    `json:"way_only"`  // note the way, print nothing yet
	Count      int     `json:"count"`     // how many times to print it; 0 is 1
	Pieces     int     `json:"pieces"`    // pieces that one print yields; 0 is 1
	NozzleMM   float64 `json:"nozzle_mm"` // 0: as inferred and declared
	Material   string  `json:"material"`  // empty: as declared
	Colour     string  `json:"colour"`    // empty: it does not matter
	Surface    string  `json:"surface"`   // wanted plate surface; empty: by material
	ClearsSelf bool    `json:"clears_itself"`
	OnHold     bool    `json:"on_hold"`
}

type Added struct {
	JobIDs    []int64   `json:"job_ids"`
	SHA256    string    `json:"sha256"`
	Known     bool      `json:"known"` // the same content was there already
	EstimateS float64   `json:"estimate_s"`
	MassG     float64   `json:"mass_g"`
	NozzleMM  float64   `json:"nozzle_mm"`
	Material  string    `json:"material"`
	Layers    int       `json:"layers"`
	HeightMM  float64   `json:"height_mm"`
	Warnings  []Finding `json:"warnings,omitempty"`
}

// Finding is one remark on a file, with its line.
type Finding struct {
	Code string `json:"code"`
	Line int64  `json:"line"`
	Text string `json:"text"`
}

// Refusal is the error of Add for a file that cannot be taken; it wraps
// queue.ErrRefused.
type Refusal struct {
	File     string
	Findings []Finding
}

type Why struct {
	Job      Job          `json:"job"`
	Summary  string       `json:"summary"`
	Printers []WhyPrinter `json:"printers"`
	// Or lists what other ways of making the part would take, in sentences.
	Or []string `json:"or,omitempty"`
}

type WhyPrinter struct {
	Printer   string     `json:"printer"`
	Obstacles []Obstacle `json:"obstacles"` // empty: it could take the job now
}

type Obstacle struct {
	Code   string `json:"code"`
	Text   string `json:"text"`   // "needs 0.8 mm nozzle, 0.4 is fitted"
	Remedy string `json:"remedy"` // "fit the 0.8 mm nozzle on Bittern", may be empty
}

// Cleared is a person's answer to 'is the plate clear?'.
type Cleared struct {
	Empty   bool     `json:"empty"`                                                // nothing is left on the plate
	Seated  bool     `json:"seated"`                                               // the sheet lies as it should
	Surface string   `json:"surface" required:"false"`                             // which sheet lies there now; empty: the same as before
	Good    *int     `json:"good" required:"false" minimum:"0" nullable:"true"`    // how many of the pieces are good; nil: all
	Bad     []int    `json:"bad" required:"false" maxItems:"1000" nullable:"true"` // which are bad, by their place on the plate, from 1
	BadFrom *float64 `json:"bad_from_mm,omitempty"`                                // the height from which the piece is bad, when a piece is
}

type Decision struct {
	Again bool `json:"again"` // true: queue it again, whole; false: give it up
}

type Cooled struct {
	Printer string `json:"printer"`
	OK      bool   `json:"ok"`
	Text    string `json:"text"`
}

// Fit sets what changes by hand on a printer; nil fields stay as they are.
type Fit struct {
	NozzleMM *float64 `json:"nozzle_mm,omitempty"`
	Material *string  `json:"material,omitempty"`
	Colour   *string  `json:"colour,omitempty"`
	Grams    *float64 `json:"grams,omitempty"`
	Surface  *string  `json:"surface,omitempty"`
	PlateOff *bool    `json:"plate_off,omitempty"`
}

// Loaded is what a person put in while a run is held; nil fields stay as they are.
type Loaded struct {
	Spool    *int     `json:"spool,omitempty" minimum:"1" doc:"a reel's number; then the rest is known"`
	Material *string  `json:"material,omitempty"`
	Colour   *string  `json:"colour,omitempty"`
	Grams    *float64 `json:"grams,omitempty"`
}

type Service struct {
	Out    bool   `json:"out"`
	Reason string `json:"reason" required:"false" maxLength:"500"`
}

func (r *Refusal) Error() string { return r.File + " was refused; nothing was stored" }

func (r *Refusal) Unwrap() error { return queue.ErrRefused }

// Reloaded is what came of reading the configuration anew.
type Reloaded struct {
	Changed  []string `json:"changed"`  // what is in force now, in words
	Restart  []string `json:"restart"`  // what differs and is not: it wants a restart, and why
	Warnings []string `json:"warnings"` // about what is allowed and probably not meant
}
