package sim

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"undercroft/gcode/motion"
)

// ending says whether the firmware lives and, if not, why not.
type ending int

const (
	running   ending = iota
	resetting        // exits: running, after the boot
	halted           // takes bytes and answers nothing; exits: resetting, closing
	closing          // no exit
)

const (
	rxBytes    = 128 // receive buffer
	queueLines = 4   // lines that wait for their handler, the one in hand included
	lineBytes  = 95  // what is kept of a line
	txBytes    = 16 << 10
)

// Unsolicited lines come at their virtual interval, but not more often than
// this in real time; what need not be followed to the instant is looked at no
// more often than lookGap.
const (
	reportGap = 50 * time.Millisecond
	lookGap   = 20 * time.Millisecond
)

// A sleep ends up to a millisecond late, in which a fast printer's moves are over
// several times, while its host waits for room. So from fastPace on, while the
// planner is full, what is due within leadGap of real time happens at once, with
// its own virtual time; on average the pace is kept, because the sleep after it
// is as much longer.
const (
	fastPace = 20
	leadGap  = time.Millisecond
)

// slot is one line in the queue.
type slot struct {
	text   [256]byte // without number and checksum
	n      int
	number int64 // -1: none
	shown  bool  // the number may be shown in an advanced ok
}

// board is the firmware and its machine. Everything in it belongs to the
// goroutine of run.
type board struct {
	o     Options
	m     manner
	clk   clock
	now   vt // may lag behind the real clock while catching up, and be ahead of it by lead
	lead  vt // see leadGap
	end   ending
	timer *time.Timer

	fine      *fineTimer // for timed bytes, made when it is first wanted
	fineTried bool
	rnd       *rand.Rand

	quit     chan struct{}
	quitOnce sync.Once
	ctl      chan func()
	todo     func() // a request, done when everything that is due is done
	turns    uint

	wire
	mouth
	handling
	reporting
	machine

	tr       tracer
	inj      *injector
	panel    []string // commands given at the machine itself
	deaf     bool     // what is said goes to the panel, not to the host
	hangTill vt       // until then the main loop does nothing: a fault
	boots    int
	bootAt   vt
	resetWhy string
}

// wire is the line and the bytes that are on it.
type wire struct {
	line     line
	in       <-chan arrival
	chunk    []byte
	chunkBad []damaged // beside chunk, nil when nothing in it is damaged
	borrowed bool      // chunk is the line's and goes back to it
	chunkAt  int
	wireAt   vt // when the next byte of chunk is in
	byteTime vt

	tx      []byte
	txAt    vt // when the next byte of tx is out
	txStuck bool
	say     []byte // the reply line that is being put together
	spoilt  []byte // the same as the injector leaves it

	rx          [rxBytes]byte // receive buffer
	rxBad       [rxBytes]damaged
	rxHead, rxN int
	overflowed  bool
	lastByte    byte    // the newest that arrived
	lostByte    bool    // one before the next found no room
	pulledBad   damaged // about the byte that pull gave
}

// mouth is where lines are read and judged.
type mouth struct {
	part      []byte // the line that has not ended yet
	partBad   int    // where it first is not what the host sent, -1 when it is
	partTill  vt     // when it is given up if its end does not come
	comment   bool   // what comes belongs to a comment
	commented bool   // part has a comment behind it
	skipNext  bool
	lastN     int64 // number of the last line that was taken
	q         [queueLines]slot
	qHead, qN int
	urgent    []byte // the line as the emergency parser sees it
}

// handling is the command in hand and what may end its wait.
type handling struct {
	w           words
	entry       int64 // its sequence number in the trace
	moving      bool  // it is a move
	inCmd       bool
	heatWaiting bool
	cancelHeat  bool
	userGo      bool
	stopPending bool
	promptOpen  bool
	answer      int // to a prompt, -1 none
	commands    int64
}

// reporting is what the firmware says by itself.
type reporting struct {
	busyWord          string
	quiet             bool // no busy lines
	mute              bool // nothing at all: the main loop stands still
	busyEvery, busyAt vt
	busyLast          vt
	waitAt            vt
	tempEvery, tempAt vt
	posEvery, posAt   vt
}

// machine is the mechanism and the modes in which it reads commands.
type machine struct {
	steps    stepper
	limits   motion.Limits // as changed since the boot
	moves    int64         // planned since the boot
	at       [4]float64    // planned end, as the commands count
	rest     [4]float64    // where the last done move ended
	asked    [4]float64    // family E: where the words of its G commands lead, refused ones too
	relXYZ   bool
	relE     bool
	unitMM   float64
	feedMMs  float64
	feedPct  float64
	flowPct  float64
	homed    bool
	softEnds bool
	coldOK   bool
	coldC    float64

	heat     [2]heater // nozzle, bed
	heatAt   vt
	heatLast vt
	waitTemp bool // family E: the next move waits for the temperatures

	filament float64 // net, mm
	drawn    float64 // highest net
	highestZ float64

	out       bool    // filament is out at the sensor
	outSince  float64 // filament position from which the runout counts
	sensorOn  bool
	runoutDue bool
	inRunout  bool
}

func newBoard(o Options) *board {
	b := &board{
		o: o, m: mannerOf(o),
		clk:  clock{start: time.Now(), pace: o.Pace},
		rnd:  rand.New(rand.NewPCG(o.Seed, 0x756e646572)),
		quit: make(chan struct{}), ctl: make(chan func()),
		timer:    time.NewTimer(time.Hour),
		tr:       tracer{w: o.Trace, call: o.OnExecute, event: o.OnEvent},
		mouth:    mouth{part: make([]byte, 0, 256), urgent: make([]byte, 0, 32)},
		resetWhy: "PowerUp",
		inj:      newInjector(o.Faults, o.Seed),
	}
	if o.Baud > 0 {
		b.byteTime = b.clk.virtual(10 * time.Second / time.Duration(o.Baud))
	}
	if o.Pace >= fastPace && o.Baud == 0 {
		b.lead = b.clk.virtual(leadGap)
	}
	b.steps.slots, b.steps.delay = plannerSlots, startDelay
	b.steps.pace = newPace(o.Limits)
	if o.Family == FamilyE {
		b.steps.slots, b.steps.delay = slotsE, 0
		b.steps.pace = newRampPace(o.Limits, firstFeedE)
	}
	b.heat = [2]heater{newNozzle(o.MaxC[0]), newBed(o.MaxC[1])}
	for i := range b.heat {
		b.heat[i].settle(o.AmbientC)
	}
	return b
}

func (b *board) plug(l line) {
	b.line, b.in = l, l.incoming()
}

func (b *board) traceErr() error {
	if b.tr.err != nil {
		return fmt.Errorf("writing the trace: %w", b.tr.err)
	}
	return nil
}

// run is the life of the printer: boot, serve, and again after each reset.
func (b *board) run() {
	for b.end != closing {
		b.boot()
		for b.end == running {
			b.serveOne()
		}
		for b.end == halted {
			b.rxN = 0 // the port takes bytes, nobody reads them
			b.pass(never)
		}
	}
	b.send()
	for v := b.clk.now(); b.steps.next() <= v; { // what is done by now is done
		b.now = max(b.now, b.steps.next())
		b.happen()
	}
	b.tr.lose(nothing)
	b.note("end " + b.truth().String())
	b.tr.flush()
	if b.line != nil {
		b.line.close()
	}
	if b.fine != nil {
		b.fine.stop()
	}
}

// serveOne handles the next line of the queue, or waits for one.
func (b *board) serveOne() {
	if b.now < b.hangTill {
		b.pass(b.hangTill)
		return
	}
	if b.m.family == FamilyE {
		b.serveE()
		return
	}
	b.intake()
	switch {
	case b.end != running:
	case b.runoutDue:
		b.runOut()
	case len(b.panel) > 0:
		b.fromPanel()
	case b.qN == 0:
		b.step(never)
	default:
		b.handle()
	}
}

func (b *board) note(text string) { b.tr.note(b.now, text) }
