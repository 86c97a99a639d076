package plan

// Problem is a stand-alone instance in whole minutes from t = 0.
type Problem struct {
	Home     []Window  `json:"home,omitempty"`
	People   []Person  `json:"people,omitempty"`
	Printers []Printer `json:"printers"`
	Jobs     []Job     `json:"jobs"`
	StartCap *StartCap `json:"start_cap,omitempty"`
}

// Person is somebody who clears plates and starts jobs. Without home hours of
// their own those of the problem count.
type Person struct {
	Name     string   `json:"name"`
	Home     []Window `json:"home"`
	HandsMin int      `json:"hands_min"` // from a start, in the same window
}

// Printer is one machine of a Problem.
type Printer struct {
	Name         string `json:"name"`
	ReadyMin     int    `json:"ready_min"`     // nothing starts before
	SelfClearing bool   `json:"self_clearing"` // a start needs nobody
}

// Job is one print of a Problem; it can run on the printers that it has minutes for.
type Job struct {
	ID      string         `json:"id"`
	Minutes map[string]int `json:"minutes"`
}

// StartCap limits how many jobs start in each slot of SlotMin minutes, counted
// from t = 0, over all printers.
type StartCap struct {
	SlotMin int `json:"slot_min"`
	Starts  int `json:"starts"`
}

// Answer is a plan for a Problem.
type Answer struct {
	Starts      []Start   `json:"starts"`
	MakespanMin int       `json:"makespan_min"`
	BoundMin    int       `json:"bound_min"` // no plan of these jobs ends earlier
	MS          float64   `json:"ms"`
	LeftOut     []LeftOut `json:"left_out,omitempty"`
	Notes       []string  `json:"notes,omitempty"`
}

// Start is one job of an Answer.
type Start struct {
	Job      string `json:"job"`
	Printer  string `json:"printer"`
	StartMin int    `json:"start_min"`
	EndMin   int    `json:"end_min"`
}

// LeftOut is a job that the plan does not hold, and why.
type LeftOut struct {
	Job string `json:"job"`
	Why string `json:"why"`
}
