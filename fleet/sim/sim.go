// Package sim is a virtual printer: a RepRap-dialect firmware at the other end
// of a serial line, as watched on running boards. It boots, reads numbered
// lines, asks for what it did not get, queues moves in a planner and takes the
// time that the moves take, heats, pauses, halts and resets, at a pace of K
// virtual seconds a real second.
//
// It shares no code with the host's side of the wire, so that one mistake
// cannot hide in both. Its moves take the time that gcode/motion computes: that
// a time estimate is right can therefore never be shown on it.
package sim

import (
	"fmt"
	"io"
	"math"
	"time"

	"undercroft/gcode/motion"
)

// Family names a way of answering. The letters are those of the host's side.
type Family string

const (
	// FamilyA answers `ok` when a command was handled, refuses with
	// `Error:` + `Resend: n` + `ok`, drops a repeat of one of the last two lines
	// without a word.
	FamilyA Family = "a"
	// FamilyB asks with `Resend:n`, answers a repeat with `skip n`, refuses an
	// un-numbered line that bears a checksum, drops a partial line after 2 s.
	FamilyB Family = "b"
	// FamilyC asks with `rs n` and no `ok` behind it, answers a repeat with an
	// error, loses a line with a trailing comment and the next one, asks again
	// 200 ms after a partial line.
	FamilyC Family = "c"
	// FamilyD acknowledges each line on receipt with `ok n`.
	FamilyD Family = "d"
	// FamilyE boots with `start` and `ok`, takes no notice of line numbers,
	// answers when a queue slot is free, an empty line too, and nothing at all
	// during a dwell or homing.
	FamilyE Family = "e"
)

// Options say what to play and on which line. The zero value of each field has
// a meaning of its own, given beside it.
type Options struct {
	// Port is the line; Path is used when it is nil. The printer closes it.
	Port io.ReadWriteCloser
	// Path is where a new pseudo-terminal is linked (a symbolic link).
	Path string

	Family     Family // "" is FamilyA
	AllOptions bool   // family A only: advanced ok, wait lines, emergency parser, host actions, prompts, runout sensor

	// Baud above zero times every byte in both directions, in real time, and
	// lets the 128-byte receive buffer overflow as on a serial chip. Zero times
	// nothing and holds bytes back when the buffer is full, as a USB port does.
	Baud int
	// Pace is virtual seconds per real second; 0 is 1.
	Pace float64
	// BootDelay is the silence after a reset, in virtual time.
	BootDelay time.Duration
	// ResetOnOpen resets the board whenever a host opens the pseudo-terminal,
	// as the DTR line does on many boards.
	ResetOnOpen bool

	Limits   motion.Limits // the zero value is DefaultLimits
	VolumeMM [3]float64    // zero is 200 × 200 × 200
	AmbientC float64       // 0 is 22
	MaxC     [2]float64    // highest targets, nozzle and bed; zero is 260 and 140

	Faults Faults
	Seed   uint64

	// OnExecute is called for each executed command, on the printer's own
	// goroutine: it must be quick and must not call back.
	OnExecute func(Executed)
	// OnEvent is called with each event line of the trace, without its `# `.
	OnEvent func(at time.Duration, text string)
	// Trace takes the lines that trace.go describes. It is flushed at least each
	// 100 ms and at the end.
	Trace io.Writer
}

// Executed is one command that the firmware has executed. A move is executed
// when its last step is done, not when it was acknowledged; every other command
// when its handler returned. Commands are told in the order in which they were
// given.
type Executed struct {
	At     time.Duration // virtual time since the start of the process
	Number int64         // line number, -1 when the line bore none
	Text   []byte        // without number and checksum; valid until the callback returns
	Move   bool
	End    [4]float64 // X Y Z E after it, mm; meaningful for moves
}

// DefaultLimits are those of the recorded boards.
var DefaultLimits = motion.Limits{
	MaxFeedMMs:          [4]float64{300, 300, 5, 25},
	MaxAccelMMs2:        [4]float64{3000, 3000, 100, 10000},
	AccelPrintMMs2:      3000,
	AccelRetractMMs2:    3000,
	AccelTravelMMs2:     3000,
	JunctionDeviationMM: 0.013,
	JerkMMs:             [4]float64{10, 10, 0.3, 5},
	MinSegmentMS:        20,
	StepsPerMM:          [4]float64{80, 80, 400, 500},
}

// Printer is a running virtual printer. Its methods may be called from any
// goroutine.
type Printer struct {
	b    *board
	done chan struct{}
}

// OptionError says which option cannot be played, and what would do.
type OptionError struct{ text string }

func (e *OptionError) Error() string { return e.text }

func optionErrorf(format string, args ...any) error {
	return &OptionError{fmt.Sprintf(format, args...)}
}

// New starts a virtual printer. It runs until Close.
func New(o Options) (*Printer, error) {
	if err := o.fill(); err != nil {
		return nil, err
	}
	b := newBoard(o)
	if o.Port != nil {
		b.plug(newStreamLine(o.Port))
	} else {
		l, err := openPTY(o.Path, o.ResetOnOpen)
		if err != nil {
			return nil, err
		}
		b.plug(l)
	}
	p := &Printer{b: b, done: make(chan struct{})}
	go func() {
		defer close(p.done)
		b.run()
	}()
	return p, nil
}

// fill puts the defaults in and says what cannot be played.
func (o *Options) fill() error {
	if o.Family == "" {
		o.Family = FamilyA
	}
	switch o.Family {
	case FamilyA:
	case FamilyB, FamilyC, FamilyD, FamilyE:
		if o.AllOptions {
			return optionErrorf("all options: only family a has them, not family %s", o.Family)
		}
	default:
		return optionErrorf("family %q: there are a, b, c, d and e", o.Family)
	}
	if o.Pace == 0 {
		o.Pace = 1
	}
	if !(o.Pace > 0 && o.Pace <= 1e7) {
		return optionErrorf("pace %v: give virtual seconds per real second, above 0 and at most 10 million", o.Pace)
	}
	if o.Baud < 0 || o.Baud > 20_000_000 {
		return optionErrorf("baud %d: give bits per second up to 20 million, 0 for a line without timing", o.Baud)
	}
	if o.BootDelay < 0 {
		return optionErrorf("boot delay %v: give a duration from 0", o.BootDelay)
	}
	if o.Limits == (motion.Limits{}) {
		o.Limits = DefaultLimits
		if o.Family == FamilyB {
			o.Limits.JunctionDeviationMM = 0 // corners by jerk
		}
	}
	if o.VolumeMM == [3]float64{} {
		o.VolumeMM = [3]float64{200, 200, 200}
	}
	if o.AmbientC == 0 {
		o.AmbientC = 22
	}
	if o.MaxC == [2]float64{} {
		o.MaxC = [2]float64{260, 140}
	}
	for _, v := range o.VolumeMM {
		if !(v > 0 && !math.IsInf(v, 0)) {
			return optionErrorf("volume %v: give three lengths in mm above 0", o.VolumeMM)
		}
	}
	if err := o.Faults.check(); err != nil {
		return optionErrorf("%v", err)
	}
	if o.Port == nil && o.Path == "" {
		return optionErrorf("a virtual printer needs a port or a path to link one at")
	}
	return nil
}

// Close stops the printer, ends the trace and closes the line.
func (p *Printer) Close() error {
	p.b.quitOnce.Do(func() { close(p.b.quit) })
	<-p.done
	return p.b.traceErr()
}

// Done is closed once the printer has ended.
func (p *Printer) Done() <-chan struct{} { return p.done }

// ask runs f on the printer's own goroutine and waits for it; after the end it
// runs it here.
func (p *Printer) ask(f func(b *board)) {
	ran := make(chan struct{})
	select {
	case p.b.ctl <- func() { f(p.b); close(ran) }:
		select {
		case <-ran:
		case <-p.done:
			select {
			case <-ran:
			default:
				f(p.b)
			}
		}
	case <-p.done:
		f(p.b)
	}
}

// Describe says in words what the options play.
func (o Options) Describe() string {
	s := "family " + string(o.Family)
	if o.AllOptions {
		s += " with all options"
	}
	if o.Baud > 0 {
		s += fmt.Sprintf(", every byte timed at %d baud", o.Baud)
	} else {
		s += ", bytes not timed"
	}
	if o.Pace != 0 && o.Pace != 1 {
		s += fmt.Sprintf(", %g virtual seconds a real second", o.Pace)
	}
	return s
}
