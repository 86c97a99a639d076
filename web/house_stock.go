package web

import (
	"context"
	"time"
)

// StockHouse is what a House knows of reels and of looks at first layers.
type StockHouse interface {
	Spools(ctx context.Context, all bool) ([]Reel, error) // all: the retired ones too
	Spool(ctx context.Context, number int) (ReelHistory, error)
	AddSpool(ctx context.Context, r NewReel) (Reel, error)
	Weigh(ctx context.Context, number int, w Weighing) (Reel, error)
	RetireSpool(ctx context.Context, number int) error
	// Load says which reel hangs on a printer; in mid-run too.
	Load(ctx context.Context, printer string, l Load) error
	// Eyes answers a call to a first layer: good, or the run is stopped.
	Eyes(ctx context.Context, printer string, e Eyes) error
	SetStock(ctx context.Context, s StockRules) error
	// Surfaces is the table of plate surfaces that suit each material.
	Surfaces(ctx context.Context) ([]Surface, error)
	// Expect says what an estimate means on a printer, by the runs so far.
	Expect(ctx context.Context, printer string, e Expect) (Expected, error)
	// Machine says what files for a printer are read with and checked against.
	Machine(ctx context.Context, printer string) (Machine, error)
}

// Reel is one reel of filament in stock.
type Reel struct {
	Number      int        `json:"number"` // 0: it has none
	Material    string     `json:"material"`
	Colour      string     `json:"colour"`
	DiameterMM  float64    `json:"diameter_mm"` // 0: as each file says
	DensityGCM3 float64    `json:"density_g_cm3"`
	Price       float64    `json:"price,omitempty"`
	FullG       float64    `json:"full_g,omitempty"` // filament on it as bought
	TareG       *float64   `json:"tare_g,omitempty"` // the empty reel
	LeftG       *float64   `json:"grams_left,omitempty"`
	Printer     string     `json:"printer"` // where it is loaded; empty: on the shelf
	AddedAt     time.Time  `json:"added_at"`
	RetiredAt   *time.Time `json:"retired_at,omitempty"`
}

// ReelHistory is a reel with what happened to it, newest first.
type ReelHistory struct {
	Reel
	Events []ReelEvent `json:"events"`
}

// ReelEvent is one thing that happened to a reel.
type ReelEvent struct {
	At      time.Time `json:"at"`
	What    string    `json:"what"` // added, loaded, unloaded, weighed, said, drawn, retired
	Printer string    `json:"printer,omitempty"`
	RunID   int64     `json:"run_id,omitempty"`
	ChangeG float64   `json:"change_g"`
	LeftG   *float64  `json:"grams_left,omitempty"`
	GrossG  *float64  `json:"gross_g,omitempty"` // what the scales showed
}

// NewReel is a reel that comes into stock.
type NewReel struct {
	Number      int      `json:"number" required:"false" doc:"0: the next free one"`
	Material    string   `json:"material" minLength:"1" maxLength:"100"`
	Colour      string   `json:"colour" required:"false" maxLength:"100"`
	DiameterMM  float64  `json:"diameter_mm" required:"false" doc:"measured; 0: 1.75"`
	DensityGCM3 float64  `json:"density_g_cm3" required:"false" doc:"0: usual for the material"`
	Price       float64  `json:"price" required:"false"`
	FullG       float64  `json:"full_g" required:"false" doc:"filament on it as bought"`
	TareG       *float64 `json:"tare_g,omitempty" doc:"the empty reel"`
	LeftG       *float64 `json:"grams_left,omitempty" doc:"left out: as full_g"`
}

// Weighing says what is left on a reel: what scales show of it as it is, or the
// filament alone.
type Weighing struct {
	GrossG *float64 `json:"gross_g,omitempty"`
	NetG   *float64 `json:"net_g,omitempty"`
	TareG  *float64 `json:"tare_g,omitempty"`
}

// Load names the reel that hangs on a printer; 0: none.
type Load struct {
	Number int `json:"number" minimum:"0"`
}

// Eyes is a person's answer at a first layer.
type Eyes struct {
	Good bool `json:"good"` // false: stop the run
}

// StockRules are the owner's rules for reels and first layers; nil stays as it is.
type StockRules struct {
	Margin *float64 `json:"margin,omitempty" doc:"kept on a reel over what a file needs, a share of it"`
	Warn   *bool    `json:"warn,omitempty" doc:"a reel that will not last does not keep a job from starting"`
	Eyes   *bool    `json:"eyes,omitempty" doc:"call somebody to first layers"`
}

// StockView is StockRules as they are.
type StockView struct {
	Margin float64 `json:"margin"`
	Warn   bool    `json:"warn"`
	Eyes   bool    `json:"eyes"`
}

// Expect asks what an estimate means.
type Expect struct {
	EstimateS float64
	Material  string
	NozzleMM  float64
}

// Expected is a range that is to hold the given share of the time, learned from
// runs of the printer and kind of file, leaning on all runs while these are few.
type Expected struct {
	LowS        float64 `json:"low_s"`
	MidS        float64 `json:"mid_s"`
	HighS       float64 `json:"high_s"`
	Holds       float64 `json:"holds"`    // the share of runs that are to end within
	BeforeS     float64 `json:"before_s"` // heating, homing, levelling beyond the estimate
	Factor      float64 `json:"factor"`   // on the rest
	OwnRuns     int     `json:"own_runs"` // finished runs of this printer and kind of file
	PrinterRuns int     `json:"printer_runs"`
	Runs        int     `json:"runs"`
}

// Machine is what files for a printer are read with and checked against. What is
// zero is not known, or not learned yet.
type Machine struct {
	Kind       string         `json:"kind"`
	Reach      *MachineReach  `json:"reach,omitempty"` // of the nozzle; none where it is not known
	MaxNozzleC float64        `json:"max_nozzle_c"`
	MaxBedC    float64        `json:"max_bed_c"`
	FilamentMM float64        `json:"filament_mm"` // diameter
	AllowCodes []string       `json:"allow_codes,omitempty"`
	Limits     MachineLimits  `json:"limits"`
	Heat       [3]MachineHeat `json:"heat"` // nozzle, bed, chamber, fitted to its own heat-ups
	HomingS    float64        `json:"homing_s"`
	LevellingS float64        `json:"levelling_s"`
}

// MachineReach is where the nozzle may go, in mm.
type MachineReach struct {
	MinMM [3]float64 `json:"min_mm"`
	MaxMM [3]float64 `json:"max_mm"`
}

// MachineLimits has the keys of a limits file; arrays are X, Y, Z, E.
type MachineLimits struct {
	MaxFeedMMs          [4]float64 `json:"max_feed_mm_s"`
	MaxAccelMMs2        [4]float64 `json:"max_accel_mm_s2"`
	AccelPrintMMs2      float64    `json:"accel_print_mm_s2"`
	AccelRetractMMs2    float64    `json:"accel_retract_mm_s2"`
	AccelTravelMMs2     float64    `json:"accel_travel_mm_s2"`
	JunctionDeviationMM float64    `json:"junction_deviation_mm"`
	JerkMMs             [4]float64 `json:"jerk_mm_s"`
	MinFeedMMs          float64    `json:"min_feed_mm_s"`
	MinTravelFeedMMs    float64    `json:"min_travel_feed_mm_s"`
	MinSegmentMS        float64    `json:"min_segment_ms"`
	StepsPerMM          [4]float64 `json:"steps_per_mm"`
}

// MachineHeat is a heater as a first-order lag: what full power brings it to
// above a room of 20 °C, with which time constant, after which dead time.
type MachineHeat struct {
	RiseC         float64 `json:"rise_c"`
	TimeConstantS float64 `json:"time_constant_s"`
	DeadS         float64 `json:"dead_s"`
}

// Short says where the loaded reel ends before the run does.
type Short struct {
	Layer  int       `json:"layer"` // from 1
	Layers int       `json:"layers"`
	TopMM  float64   `json:"top_mm"`
	At     time.Time `json:"at"` // house time
}

// Surface is a line of the table of plate surfaces.
type Surface struct {
	Material string   `json:"material"`
	Suits    []string `json:"suits"` // empty: any surface will do
	Owner    bool     `json:"owner"` // the owner's own line, not the shipped one
}
