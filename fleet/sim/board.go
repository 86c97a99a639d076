package sim

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"
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
	now   vt // never ahead of the real clock, may lag behind it while catching up
	end   ending
	timer *time.Timer
	rnd   *rand.Rand

	quit     chan struct{}
	quitOnce sync.Once
	ctl      chan func()
	todo     func() // a request, done when everything that is due is done
	turns    uint

	// The line, and the bytes that are on it.
	line     line
	in       <-chan []byte
	chunk    []byte
	chunkBad []damaged // beside chunk, nil when nothing in it is damaged
	borrowed bool      // chunk is the line's and goes back to it
	chunkAt  int
	wireAt   vt // when the next byte of chunk is in
	byteTime vt
	tx       []byte
	txAt     vt // when the next byte of tx is out
	txStuck  bool

	// Receive buffer and line intake.
	rx          [rxBytes]byte
	rxBad       [rxBytes]damaged
	rxHead, rxN int
	lastByte    byte    // the newest that arrived
	lostByte    bool    // one before the next found no room
	pulledBad   damaged // about the byte that pull gave
	partBad     int     // where part first is not what the host sent, -1 when it is
	commented   bool    // part has a comment behind it
	skipNext    bool
	partTill    vt // when a part without an end is given up
	overflowed  bool
	part        []byte
	comment     bool
	lastN       int64
	q           [queueLines]slot
	qHead, qN   int
	urgent      []byte // the line as the emergency parser sees it
	cancelHeat  bool
	userGo      bool
	answer      int // prompt answer by M876, -1 none
	stopPending bool
	inCmd       bool
	quiet       bool   // no busy lines
	busyWord    string // what the busy lines say
	heatWaiting bool
	busyEvery   vt
	busyAt      vt
	busyLast    vt
	waitAt      vt
	tempEvery   vt
	tempAt      vt
	posEvery    vt
	posAt       vt
	say         []byte // the reply line that is being put together
	w           words
	entry       int64 // sequence number of the command in hand
	promptOpen  bool

	// The machine.
	step1     stepper
	at        [4]float64 // planned end, as the commands count
	rest      [4]float64 // where the last done move ended
	relXYZ    bool
	relE      bool
	unitMM    float64
	feedMMs   float64
	feedPct   float64
	flowPct   float64
	homed     bool
	softEnds  bool
	coldOK    bool
	coldC     float64
	heat      [2]heater // nozzle, bed
	heatAt    vt
	heatLast  vt
	filament  float64 // net, mm
	drawn     float64 // highest net
	highestZ  float64
	commands  int64
	boots     int
	out       bool    // filament is out at the sensor
	outSince  float64 // filament position at which it ran out
	sensorOn  bool
	runoutDue bool
	inRunout  bool
	inj       *injector
	spoilt    []byte
	hangTill  vt
	moves     int64 // planned since the boot

	// Family E.
	target4  [4]float64
	waitTemp bool
	mute     bool // the main loop stands still
	bootAt   vt
	resetWhy string
	tr       tracer
}

func newBoard(o Options) *board {
	b := &board{
		o: o, m: mannerOf(o),
		clk:  clock{start: time.Now(), pace: o.Pace},
		rnd:  rand.New(rand.NewPCG(o.Seed, 0x756e646572)),
		quit: make(chan struct{}), ctl: make(chan func()),
		timer: time.NewTimer(time.Hour),
		tr:    tracer{w: o.Trace, call: o.OnExecute, event: o.OnEvent},
		part:  make([]byte, 0, 256), urgent: make([]byte, 0, 32),
		resetWhy: "PowerUp",
		inj:      newInjector(o.Faults, o.Seed),
	}
	if o.Baud > 0 {
		b.byteTime = b.clk.virtual(10 * time.Second / time.Duration(o.Baud))
	}
	b.step1.slots, b.step1.delay = plannerSlots, startDelay
	b.step1.pace = newPace(o.Limits)
	if o.Family == FamilyE {
		b.step1.slots, b.step1.delay = slotsE, 0
		b.step1.pace = newRampPace(o.Limits, firstFeedE)
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
	b.tr.lose()
	b.note("end " + b.truth().String())
	b.tr.flush()
	if b.line != nil {
		b.line.close()
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
	case b.qN == 0:
		b.step(never)
	default:
		b.handle()
	}
}

// step lets time pass until the next thing happens, at most until `until`. It
// is false when the firmware is no longer running: a handler then returns at
// once.
func (b *board) step(until vt) bool {
	if b.end != running {
		return false
	}
	b.pass(until)
	b.settle()
	return b.end == running
}

// settle is what every wait of the firmware does besides waiting: read lines
// into the queue, and obey a quick stop.
func (b *board) settle() {
	if b.end == running {
		b.intake()
	}
	if b.stopPending && b.end == running {
		b.stopPending = false
		b.quickStop()
	}
}

// pass lets one event happen that is due, or waits for one.
func (b *board) pass(until vt) {
	b.fetch()
	if b.turns++; b.turns%256 == 0 {
		b.glance()
	}
	hard := min(until, b.nextByte(), b.nextReport(), b.partTill)
	soft := min(b.step1.next(), b.heatAt, b.nextFault())
	v := b.clk.now()
	if next := min(hard, soft); next <= v {
		b.now = max(b.now, next)
		b.happen()
		return
	}
	b.now = max(b.now, v)
	if f := b.todo; f != nil {
		b.todo = nil
		f()
		return
	}
	if soft < hard {
		hard = max(soft, v+b.clk.virtual(lookGap))
		hard = min(hard, until, b.nextByte(), b.nextReport(), b.partTill)
	}
	b.block(hard)
}

// happen does everything that is due at now.
func (b *board) happen() {
	for b.step1.next() <= b.now {
		if b.step1.running {
			b.moved()
			// The main loop may have a move for the slot that has just become free:
			// it goes first, as it does on the board.
			break
		}
		b.step1.start(b.step1.startsAt)
	}
	if b.heatAt <= b.now {
		b.heatTick()
	}
	b.reports()
	b.pump()
	if b.nextFault() <= b.now {
		b.fireEvents()
	}
	if b.partTill <= b.now {
		b.givePartUp()
	}
}

// block waits in real time until the virtual time `until`, or until something
// comes in.
func (b *board) block(until vt) {
	b.send()
	if len(b.tx) > 0 {
		until = min(until, b.nextOut())
	}
	if len(b.tr.buf) > 0 {
		left := traceFlush - time.Since(b.tr.dirty)
		if left <= 0 {
			b.tr.flush()
		} else {
			until = min(until, b.clk.now()+b.clk.virtual(left))
		}
	}
	in := b.in
	if b.chunk != nil {
		in = nil
	}
	var tick <-chan time.Time
	if until != never {
		d := until - b.clk.now()
		if d <= 0 {
			return
		}
		b.timer.Reset(b.clk.real(d))
		tick = b.timer.C
	}
	var writable, opened <-chan struct{}
	if b.line != nil {
		opened = b.line.opened()
		if b.txStuck {
			writable = b.line.writable()
		}
	}
	select {
	case p, ok := <-in:
		b.took(p, ok)
	case b.todo = <-b.ctl:
	case <-tick:
	case <-writable:
	case <-opened:
		if b.o.ResetOnOpen {
			b.todo = func() { b.reset("External Reset") }
		}
	case <-b.quit:
		b.end = closing
	}
}

// glance looks for a request and for the end while there is no time to wait.
func (b *board) glance() {
	select {
	case f := <-b.ctl:
		f()
	case <-b.quit:
		b.end = closing
	default:
	}
}

// fetch takes what the host sent without waiting.
func (b *board) fetch() {
	if b.chunk != nil || b.in == nil {
		return
	}
	select {
	case p, ok := <-b.in:
		b.took(p, ok)
	default:
	}
}

func (b *board) took(p []byte, ok bool) {
	if !ok {
		b.in = nil
		b.note("line lost")
		return
	}
	b.chunk, b.chunkBad, b.borrowed, b.chunkAt = p, nil, true, 0
	if b.inj.in {
		spoilt, bad := b.inj.spoil(p)
		b.line.reuse(p)
		if len(spoilt) == 0 {
			b.chunk = nil
			return
		}
		b.chunk, b.chunkBad, b.borrowed = spoilt, bad, false
	}
	b.wireAt = max(b.wireAt, b.clk.now()+b.byteTime)
}

// nextByte is when the next bytes that matter are in: the end of a line, or
// all that is on the wire.
func (b *board) nextByte() vt {
	if b.chunk == nil || b.byteTime == 0 && b.rxN == rxBytes {
		return never
	}
	if b.byteTime == 0 {
		return b.wireAt
	}
	rest := b.chunk[b.chunkAt:]
	k := bytes.IndexByte(rest, '\n')
	if k < 0 {
		k = len(rest) - 1
	}
	return b.wireAt + vt(k)*b.byteTime
}

// pump moves the bytes that are in by now into the receive buffer. A timed line
// loses what finds no room, an untimed one holds it back.
func (b *board) pump() {
	for b.chunk != nil && b.wireAt <= b.now {
		if b.rxN == rxBytes {
			if b.byteTime == 0 {
				return
			}
			if !b.overflowed {
				b.overflowed = true
				b.note("overflow of the receive buffer")
			}
		}
		c := b.chunk[b.chunkAt]
		b.lastByte = c
		if b.m.urgent {
			b.overhear(c)
		}
		if b.rxN < rxBytes {
			at := (b.rxHead + b.rxN) % rxBytes
			b.rx[at] = c
			b.rxBad[at] = intact
			if b.chunkBad != nil {
				b.rxBad[at] = b.chunkBad[b.chunkAt]
			}
			if b.lostByte {
				b.rxBad[at], b.lostByte = lostBefore, false
			}
			b.rxN++
		} else {
			b.lostByte = true
			b.inj.count.OverflowLost++
		}
		b.chunkAt++
		b.wireAt += b.byteTime
		if b.chunkAt == len(b.chunk) {
			b.dropChunk()
			b.fetch()
		}
	}
}

func (b *board) dropChunk() {
	if b.chunk != nil && b.borrowed && b.line != nil {
		b.line.reuse(b.chunk)
	}
	b.chunk = nil
}

// flushRx empties the receive buffer. What arrives next may be the tail of a
// line.
func (b *board) flushRx() {
	b.rxHead, b.rxN, b.overflowed = 0, 0, false
	b.part, b.comment, b.commented, b.skipNext = b.part[:0], false, false, false
	b.partTill = never
	b.partBad = -1
	if b.lastByte != '\n' && b.lastByte != '\r' && b.lastByte != 0 {
		b.partBad = 0
	}
}

// pull takes one byte out of the receive buffer.
func (b *board) pull() (byte, bool) {
	if b.rxN == 0 {
		b.pump()
		if b.rxN == 0 {
			return 0, false
		}
	}
	c := b.rx[b.rxHead]
	b.pulledBad = b.rxBad[b.rxHead]
	b.rxHead = (b.rxHead + 1) % rxBytes
	b.rxN--
	b.overflowed = false
	return c, true
}

// send writes what is due to the line.
func (b *board) send() {
	if len(b.tx) == 0 || b.line == nil {
		b.tx = b.tx[:0]
		return
	}
	n := len(b.tx)
	if b.inj.holdTill > 0 {
		if b.clk.now() < b.inj.holdTill {
			return
		}
		b.inj.holdTill = 0
	}
	if b.byteTime > 0 {
		v := b.clk.now()
		if b.txAt > v {
			return
		}
		n = min(n, 1+int((v-b.txAt)/b.byteTime))
	}
	k := b.line.send(b.tx[:n])
	b.txStuck = k < n
	b.txAt += vt(k) * b.byteTime
	b.tx = b.tx[:copy(b.tx, b.tx[k:])]
}

// nextOut is when send may have more to do.
func (b *board) nextOut() vt {
	if b.inj.holdTill > 0 {
		return b.inj.holdTill
	}
	if b.txStuck {
		if b.line.writable() != nil {
			return never
		}
		return b.clk.now() + b.clk.virtual(2*time.Millisecond)
	}
	// Not for every byte: a host reads lines.
	return max(b.txAt, b.now) + vt(len(b.tx)-1)*b.byteTime
}

// emit sends the line in say. What a host does not read in time is lost.
func (b *board) emit() {
	b.say = append(b.say, '\n')
	switch {
	case b.now < b.inj.silentTill:
	case b.inj.out:
		b.sendSpoilt()
	default:
		b.queueOut(b.say)
	}
	b.say = b.say[:0]
	if len(b.tx) >= chunkBytes/2 && b.byteTime == 0 {
		b.send()
	}
}

// queueOut adds bytes to what is on its way out.
func (b *board) queueOut(p []byte) {
	if len(b.tx)+len(p) > txBytes {
		return
	}
	if len(b.tx) == 0 {
		b.txAt = max(b.txAt, b.now+b.byteTime)
	}
	b.tx = append(b.tx, p...)
}

// put sends one line of text.
func (b *board) put(s string) {
	b.say = append(b.say, s...)
	b.emit()
}

func (b *board) note(text string) { b.tr.note(b.now, text) }

// reset restarts the board: everything that is under way is lost.
func (b *board) reset(why string) {
	if b.end == closing {
		return
	}
	b.end, b.resetWhy = resetting, why
}

// boot brings the firmware up, or up again.
func (b *board) boot() {
	b.rest = b.step1.where(b.rest, b.now)
	b.step1.clear()
	b.tr.lose()
	for i := range b.heat {
		b.heat[i].off()
	}
	b.flushRx()
	b.urgent = b.urgent[:0]
	b.qHead, b.qN, b.lastN = 0, 0, 0
	b.send() // what is out by now is out
	b.tx, b.say = b.tx[:0], b.say[:0]
	b.cancelHeat, b.userGo, b.stopPending, b.answer = false, false, false, -1
	b.hangTill = 0
	b.inCmd, b.quiet, b.heatWaiting = false, false, false
	b.busyEvery, b.busyWord = 2*time.Second, "processing"
	b.tempEvery, b.posEvery = 0, 0
	b.busyAt, b.waitAt, b.tempAt, b.posAt = never, never, never, never
	b.at, b.rest = [4]float64{}, [4]float64{}
	b.relXYZ, b.relE, b.unitMM, b.feedMMs, b.feedPct, b.flowPct = false, false, 1, 25, 100, 100
	if b.m.family == FamilyE {
		b.feedMMs = firstFeedE
	}
	b.homed, b.softEnds, b.coldOK, b.coldC = false, true, false, 170
	b.sensorOn, b.runoutDue, b.inRunout, b.promptOpen = b.m.runout, false, false, false
	b.moves, b.target4, b.waitTemp, b.mute, b.bootAt = 0, [4]float64{}, false, false, b.now
	b.step1.pace.SetLimits(b.o.Limits)
	b.heatAt = never
	b.heatSoon()
	b.boots++
	if b.boots == 1 {
		b.note("boot")
	} else {
		b.note("reset " + b.resetWhy)
	}
	if b.byteTime > 0 && b.chunk != nil {
		// A serial chip that is not set up yet hears nothing.
		b.dropChunk()
		b.partBad = 0
	}
	b.end = running
	if b.o.BootDelay > 0 {
		for till := b.now + b.o.BootDelay; b.now < till && b.end == running; {
			b.pass(till)
		}
		b.flushRx()
		if b.end != running {
			return
		}
	}
	b.greet()
	if b.m.waits {
		b.waitAt = b.now + time.Second
	}
}

// halt stops everything until a reset.
func (b *board) halt(why string) {
	b.step1.clear()
	b.tr.lose()
	for i := range b.heat {
		b.heat[i].off()
	}
	b.put("Error:Printer halted. kill() called!")
	if b.m.actions {
		b.put("//action:poweroff")
	}
	b.busyAt, b.waitAt, b.tempAt, b.posAt = never, never, never, never
	b.note("halt " + why)
	b.end = halted
}
