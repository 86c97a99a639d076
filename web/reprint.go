package web

// ReprintRequest says how high the good part of a piece is, and what is wanted of
// the rest.
type ReprintRequest struct {
	HeightMM    *float64  `json:"height_mm,omitempty"`                                                      // a height that a person names, or the layer picked
	Measured    []float64 `json:"measured_mm" required:"false" maxItems:"50" nullable:"true"`               // caliper readings of the good piece
	Missing     []float64 `json:"missing_mm" required:"false" maxItems:"50" nullable:"true"`                // of what broke off: the whole less that
	NoPlastic   bool      `json:"no_plastic" required:"false"`                                              // it may have gone on without plastic
	AllowanceMM float64   `json:"allowance_mm" required:"false" minimum:"-5" maximum:"5"`                   // above 0 leaves a gap, below 0 overlaps
	Skirt       int       `json:"skirt" required:"false" minimum:"0" maximum:"20"`                          // loops around the first layer
	AtMM        []float64 `json:"at_mm" required:"false" minItems:"2" maxItems:"2" nullable:"true"`         // where its middle comes to lie; empty: where it was
	Object      int       `json:"object" required:"false" minimum:"0" maximum:"1000"`                       // of a sequential print
	Pieces      []string  `json:"pieces" required:"false" maxItems:"100" nullable:"true"`                   // of a plate of several; empty: all
	Confirm     bool      `json:"confirm" required:"false" doc:"queue the remainder as a job of this part"` // else figures alone
}

// Reprint is what a person decides by after a mishap, and the job that came of it.
type Reprint struct {
	ReprintReport
	Picture string `json:"picture,omitempty"` // SVG of the cut; empty where none can be made
	JobID   int64  `json:"job_id,omitempty"`  // of the remainder, once confirmed
}

// ReprintReport holds the figures. Lengths are millimetres.
type ReprintReport struct {
	HeightMM    float64         `json:"height_mm"`
	LayerCount  int             `json:"layer_count"`
	Heights     []ReprintHeight `json:"heights"`
	Readings    *Readings       `json:"readings,omitempty"`
	Trusted     ReprintHeight   `json:"trusted"`
	TrustedWhy  string          `json:"trusted_why"`
	AllowanceMM float64         `json:"allowance_mm"` // in whole layers
	GoodLayers  int             `json:"good_layers"`
	CutMM       float64         `json:"cut_mm"`
	FirstMM     float64         `json:"first_layer_mm"`
	LeftLayers  int             `json:"layers_left"`
	LeftMM      float64         `json:"left_mm"`
	Seam        Seam            `json:"seam"`
	Remarks     []ReprintRemark `json:"remarks"`
	SinkMM      float64         `json:"sink_mm"` // for a slicer: how far to lower the model
	SinkWhy     string          `json:"sink_why"`
	Ways        []ReprintWay    `json:"ways"`
	Take        string          `json:"take"`
	TakeWhy     string          `json:"take_why"`
	Checks      []string        `json:"checks,omitempty"`
}

// ReprintHeight is one height with the layer that it means.
type ReprintHeight struct {
	How    string  `json:"how"` // recorded, measured, missing, given
	MM     float64 `json:"mm"`
	Good   int     `json:"good_layers"`
	TopMM  float64 `json:"top_mm"`
	NextMM float64 `json:"next_layer_mm"`
}

// Readings is what several caliper readings come to.
type Readings struct {
	MedianMM float64   `json:"median_mm"`
	SpreadMM float64   `json:"spread_mm"`
	Used     []float64 `json:"used"`
	Refused  []float64 `json:"refused"`
}

// Seam is how the first remaining layer lies on the last good one.
type Seam struct {
	FirstMM2    float64 `json:"first_mm2"`
	ContactMM2  float64 `json:"contact_mm2"`
	FilledShare float64 `json:"filled_share"`
	Islands     int     `json:"islands"`
	LooseMM2    float64 `json:"loose_mm2"`
}

// ReprintRemark is something to know before printing a remainder.
type ReprintRemark struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// ReprintWay is one way on from a mishap.
type ReprintWay struct {
	Kind     string  `json:"kind"` // whole, remainder, in-place, other-way
	Possible bool    `json:"possible"`
	Hours    float64 `json:"hours"`
	Grams    float64 `json:"grams"`
	Money    float64 `json:"money"`
	HandsMin float64 `json:"hands_minutes"`
	Risk     float64 `json:"risk"` // 0 to 1: that it must be done again
	Text     string  `json:"text"`
}

// Joined is a person's word on a piece that was glued together.
type Joined struct {
	Good bool `json:"good"` // it has cured and is good; false: it is not, decide again
}
