package plan

import "time"

// House is the whole build as it stands: everything that a plan follows from. All
// times are whole minutes from Now, which is minute 0; Calendar turns wall-clock
// hours into them. The zero value is an empty house.
//
// Nothing here is read from a clock or kept between calls: the same House and the
// same Options with Moves give the same Plan.
type House struct {
	Now      time.Time
	People   []Attendant
	Cold     []Window // nothing may run in them
	Machines []Machine
	Circuits []Circuit
	Tasks    []Task
	Noise    Noise // what was learned of the estimates; see Foresee
	// HandsMin is how long a start takes of somebody; it must end in the window of
	// one person, and nobody gives more minutes than there are.
	HandsMin int
	// ChangeMin are the minutes of hands for a change of nozzle, spool or plate
	// before a start; the print begins after them.
	ChangeMin struct{ Nozzle, Spool, Plate int }
}

// Attendant is a person who clears plates and starts jobs.
type Attendant struct {
	Name string
	Home []Window
}

// Machine is one printer.
type Machine struct {
	Name         string
	ReadyMin     int    // free, cooled and in service from here on; of a frozen run: its end with cooling
	Running      string // what it prints now; frozen: it is no Task
	RunningEnds  int    // the end of that, by its mean; counts for when all is done
	SelfClearing bool
	Circuit      string // empty: on none
	Fit          Fit    // what is fitted now
	// MishapsPerHour is the rate at which runs fail here, as learned; used by Forecast.
	MishapsPerHour float64
}

// Fit is what must be on a printer for a job; an empty field is any.
type Fit struct{ Nozzle, Spool, Plate string }

// Circuit limits how many printers heat up at once.
type Circuit struct {
	Name    string
	HeatMin int // minutes that a heat-up takes of the circuit, from a start
	// AtOnce is how many heat-ups the circuit carries beside the steady draws.
	AtOnce int
}

// Task is one print that is wanted.
type Task struct {
	ID       string
	Part     string // the part that it makes; parts with ways need it
	Way      int    // which of the part's ways it belongs to; all tasks of one way are made, of the others none
	Assembly string
	On       map[string]Range // by machine: minutes it takes there; machines that cannot take it are not in it
	Fit      Fit
	CoolMin  int   // after its end, before the plate can be cleared
	EyesMin  int   // somebody must be home this long after the start, for the first layer; 0: no eyes
	Calls    []int // minutes after the start at which hands are needed in mid-print
	DueMin   int   // 0: no date
	First    int   // above 0: wanted first, with this weight
}

// Range are minutes with the learned 10, 50 and 90 % points. Mean is what is
// planned with; a zero Low or High means that nothing was learned.
type Range struct{ Low, Mean, High int }

// Step is one job of a Plan.
type Step struct {
	Task     string
	Part     string
	Assembly string
	Machine  string
	StartMin int // hands begin
	EndMin   int
	FreeMin  int // cooled; the plate can be cleared
	HandsMin int
	Attended bool     // somebody must be there to start it
	Changes  []string // "nozzle 0.6", "spool PETG white", "plate textured"
	Calls    []int    // minutes from Now
	LateMin  int      // after its date
	Wait     Wait
}

// Plan is who prints what when.
type Plan struct {
	Now     time.Time
	Steps   []Step // by start
	DoneMin int    // the last end, frozen runs included
	// BoundMin is a time before which no plan can be done, whatever is planned: 0
	// when nothing was proved.
	BoundMin int
	LateMin  int            // sum over dated tasks
	Parts    map[string]int // by assembly: when its last piece is done
	LeftOut  []LeftOut
	Notes    []string
	Tried    int // changes that the search tried
	ways     map[string]int
}

// At is a minute of the plan as a time.
func (p *Plan) At(min int) time.Time { return p.Now.Add(time.Duration(min) * time.Minute) }

// Wait is why a step does not start sooner than it does.
type Wait struct {
	FromMin int    // the printer has nothing to do from here
	Cause   Cause  // what binds last
	Text    string // in words
}

// Cause is what a start waits for. Stable, kebab-case.
type Cause string

const (
	CauseNone    Cause = ""             // it starts as soon as the printer is free
	CausePrinter Cause = "printer"      // the printer prints or cools until then
	CauseNobody  Cause = "nobody-there" // the plate cannot be cleared
	CauseCold    Cause = "cold-hours"
	CauseEyes    Cause = "eyes"      // nobody would see the first layer
	CauseCall    Cause = "call"      // nobody would be there in mid-print
	CauseHands   Cause = "hands"     // the hands are at other printers
	CauseCircuit Cause = "circuit"   // others heat up
	CauseNever   Cause = "no-window" // no minute is left
)
