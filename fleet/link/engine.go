package link

import (
	"bytes"
	"time"
)

// firstNumber is the line number that the link gives the firmware at the start,
// so that a request for line 1 can only come from a board that was reset.
const firstNumber = 10

const (
	defaultWindow    = 120 // bytes ahead of the last ok, of 128 that fit
	roomyLines       = 3   // lines ahead where M112 must find a free queue slot
	manyLines        = 24  // lines ahead where the emergency parser reads it on receipt
	maxDo            = 32  // commands of the user waiting to be sent
	maxNotices       = 256 //
	refusalsInARow   = 24  // of the same line, before the run is given up
	quietSingle      = 40 * time.Millisecond
	quietWindow      = 150 * time.Millisecond
	patience         = time.Second      // for an ok, beyond what the command itself may take
	silenceReporting = 20 * time.Second // no byte from a firmware that reports by itself
	silenceMute      = 30 * time.Second // no byte from one that does not
)

// doRequest is one command of the user of the link.
type doRequest struct {
	text  []byte
	lines []string
	bytes int
	err   error
	done  chan struct{}
	over  bool
}

// engine is the protocol without any input or output: bytes and time go in,
// bytes to write come out. It starts no goroutine, reads no clock, and allocates
// nothing per line.
type engine struct {
	o       Options
	phase   Phase
	fault   *Fault
	ident   Identity
	family  string
	boots   int
	heat    heaters
	heatAt  time.Time
	busy    string // the newest busy line
	busyOn  bool   // nothing was acknowledged since
	busyAt  time.Time
	heardAt time.Time
	talkAt  time.Time // the newest line that is not sent by the clock
	notices []Notice
	changed bool

	in     [512]byte // the line being read
	inN    int
	inLong bool // the rest of an over-long line is being dropped

	out []byte // to be written; the shell empties it

	// Lines are counted by seq from 1; on the wire they bear seq + shift.
	// [acked, cursor) is on its way, [cursor, head) waits to be written again.
	ring                [ringSize]slot
	acked, cursor, head int64
	shift               int64
	flight              int   // bytes in [acked, cursor)
	fed                 int64 // slots below have gone into the lower bound
	tail                int   // bytes in [fed, acked)
	confirmed           int64 // slots below are handled for certain
	lastOK              int64 // seq that the newest numbered ok named

	receipt   bool   // an ok names its line and comes before the line is handled
	mutters   bool   // no ok follows a refusal
	checks    bool   // the firmware refuses a wrong line number
	advanced  int    // oks seen that carried the number of a line on its way
	freeSeen  [3]int // newest reports of free planner slots, a ring
	freeN     int
	slots     int   // planner slots, from the fullest report of free ones
	emergency bool  // it has the emergency parser
	window    int   // bytes ahead of the last ok; 0: one line at a time
	calmAt    int64 // seq from which the window opens again after refusals
	calm      int64 // lines to go one at a time after the next refusal

	afterResend bool  // the next ok belongs to a refused line
	foreign     bool  // the next ok belongs to a line that is not ours as it was run
	suspect     bool  // something was run that bore no number
	surplus     int   // oks beyond the lines that can have drawn them
	loose       int   // the same since the newest fence, where numbers are not checked
	fenceLine   int64 // file line of the newest fence
	lastWant    int64
	sameWant    int
	badWant     int
	marks       int // marks written since the last ok
	waits       int // in a row, with lines on their way
	lastAck     time.Time
	lastWrite   time.Time

	dlg dialogue
	own []ownLine // lines of the link's own, waiting

	track   tracker
	recent  [plannerBlocks]float64 // seconds of the newest moves, a ring
	recentN int
	longest time.Duration // the longest of them: how long one planner slot may take to free
	bound   bound
	rtt     roundTrips
	supply  supply

	do   []*doRequest
	late lateDo

	src      Source
	srcEOF   bool
	peeked   bool // ring[head] holds the next source command, not yet numbered
	peek     slot
	idx      int64 // source commands taken
	aborting bool
	ending   int // stages of the end of a stream
	finished bool

	sent, accepted int64
	sentLine       int64
	acceptedLine   int64
	resends        int64
	timeouts       int64
	audits         int64
	bytesIn        int64
	bytesOut       int64
	streamFrom     time.Time
	streamBytes    int64
	pollAt         time.Time
	auditAt        time.Time
	heldTo         time.Time  // when a command that prints a position no longer waits
	positions      bool       // M114 was answered
	lastPrinter    int64      // seq of the newest line that prints a position of its own accord
	askAgain       int        // position reports in a row that could not be relied on
	parked         bool       // the firmware holds the run itself, and moves on its own
	said           [4]float64 // by how much the newest of them was off
	settled        int64      // seq of the newest M114 sent with the planner empty
	askAfter       bool       // where the last command ends must be asked before going on
	reporting      bool       // temperature reports come by themselves
	named          bool       // M115 was answered
	unknownSync    bool
	finalSeen      bool // the position behind the end was told
	finalTries     int
	openStep       int
	openTries      int
	openAt         time.Time
	settingsOn     bool
	reachable      bool      // after a failure: commands still get through
	stopAt         time.Time // when M112 was written
	stopSeen       bool
}

// ownLine is a line of the link's own that waits for room.
type ownLine struct {
	kind slotKind
	text string
}

func newEngine(o Options, now time.Time) *engine {
	e := &engine{o: o, phase: Opening, track: newTracker(), heardAt: now, openAt: now}
	e.ident.Caps = map[string]bool{}
	e.out = make([]byte, 0, 1024)
	e.restart(now)
	return e
}

// restart forgets everything that a reset of the board makes void.
func (e *engine) restart(now time.Time) {
	e.acked, e.cursor, e.head, e.fed, e.confirmed, e.lastOK = 1, 1, 1, 1, 1, 0
	e.shift = firstNumber
	e.flight, e.tail = 0, 0
	e.afterResend, e.foreign, e.suspect = false, false, false
	e.own = e.own[:0]
	e.track = newTracker()
	e.checks, e.mutters, e.advanced, e.slots, e.window = false, false, 0, plannerBlocks-1, 0
	e.calm, e.calmAt, e.freeN = 64, 0, 0
	e.marks = 0
	e.reporting, e.named, e.positions, e.askAfter = false, false, false, false
	e.lastPrinter, e.askAgain, e.receipt, e.parked = 0, 0, false, false
	e.openStep, e.openTries = 0, 0
	e.lastAck, e.lastWrite = now, now
	e.dlg = dialogue{stage: dListen, until: now.Add(e.o.ListenFor)}
}

// Receive takes what was read. Bytes to write are in Out afterwards.
func (e *engine) Receive(now time.Time, b []byte) {
	e.bytesIn += int64(len(b))
	for _, c := range b {
		if c != '\n' && c != '\r' {
			if e.inN < len(e.in) {
				e.in[e.inN] = c
				e.inN++
			} else {
				e.inLong = true
			}
			continue
		}
		if e.inN > 0 {
			line := e.in[:e.inN]
			e.inN, e.inLong = 0, false
			e.line(now, line)
		}
	}
	e.pump(now)
}

// line handles one line, and what a lost line end glued to it.
func (e *engine) line(now time.Time, line []byte) {
	e.heardAt = now
	for depth := 0; len(line) > 0 && depth < 8; depth++ {
		r := parseReply(line)
		e.reply(now, &r)
		line = r.rest
	}
}

func (e *engine) reply(now time.Time, r *reply) {
	if e.phase == Closed {
		return
	}
	if r.temps && e.heat.read(r.body) {
		e.heatAt, e.changed = now, true
	}
	switch r.kind {
	case replyWait, replyTemps, replyBusy:
	default:
		e.talkAt = now
	}
	switch r.kind {
	case replyOK:
		e.busyOn = false
		e.onOK(now, r)
	case replyResend:
		e.onResend(now, r)
	case replySkip:
		// A repeat was dropped: the firmware has that line. Its ok follows.
		e.foreign = true
	case replyStart:
		e.onStart(now)
	case replyBusy:
		e.busyAt, e.busyOn, e.changed = now, true, true
		if e.busy != string(r.text) {
			e.busy = string(r.text)
		}
	case replyWait:
		e.onWait(now)
	case replyTemps:
		e.onTemps(now, r)
	case replyPosition:
		e.settingsOn = e.settingsOn && !e.receipt
		e.onPosition(now, r.body)
		e.collect(r)
	case replyCap:
		e.onCap(r.text)
		e.collect(r)
	case replyRefused:
		e.onRefused(now, r)
	case replyCold:
		e.notice(now, r.text)
		if e.phase == Streaming || e.phase == Suspended {
			e.fail(now, CauseColdExtrusion, "the firmware refused to extrude because the nozzle is too cold: nothing comes out; look at the nozzle's temperature and its heater")
		}
	case replyThermal:
		e.notice(now, r.text)
		e.stopSeen = true
		e.fail(now, CauseThermal, "the firmware stopped over a heat fault: %q; switch the printer off, find the cause (heater, sensor, wiring), reset it by hand", r.text)
	case replyHalted:
		e.notice(now, r.text)
		e.stopSeen = true
		e.fail(now, CauseHalted, "the firmware halted: %q; it answers nothing more until it is reset", r.text)
	case replyError:
		if e.dlg.stage != dProbe && !containsFold(r.text, "last line") {
			e.notice(now, r.text)
		}
		e.collect(r)
	case replyAction:
		if containsFold(r.text, "action:paused") {
			e.parked = true
		} else if containsFold(r.text, "action:resumed") {
			e.parked = false
		}
		e.notice(now, r.text)
	case replyEcho:
		e.readEnds(r)
		e.collect(r)
		if !e.settingsOn && e.phase != Opening {
			e.notice(now, r.text)
		}
	default:
		e.onText(now, r)
	}
}

// onText takes a line that is nothing in particular: part of an answer, or
// something that noise has made of a reply.
func (e *engine) onText(now time.Time, r *reply) {
	if hasFold(r.text, "firmware_name:") {
		e.named = true
		e.identify(r.text)
		if q := e.unanswered("M115"); q >= 0 && e.dlg.stage == dNone {
			e.answered(now, q, false)
		}
	}
	if e.collect(r) {
		return
	}
	if e.readEnds(r) {
		return
	}
	if !e.checks && e.dlg.stage == dNone && e.acked < e.cursor && !knownChatter(r.text) {
		// Without line numbers a damaged 'rs' is the only trace of a refused
		// line: its ok must not count.
		e.suspect = true
	}
}

// knownChatter is text that firmware without numbers sends of itself.
func knownChatter(b []byte) bool {
	return hasFold(b, "queue:") || hasFold(b, "waiting") || hasFold(b, "firmware_name")
}

// collect gives a line to the command that is being answered. It returns false
// when no command takes it.
func (e *engine) collect(r *reply) bool {
	if e.settingsOn {
		if len(e.ident.Settings) < 400 {
			e.ident.Settings = append(e.ident.Settings, string(r.text))
		}
		e.learnSteps(r.text)
		return true
	}
	if e.collectLate(r) {
		return true
	}
	if e.acked >= e.cursor || e.receipt {
		return false
	}
	s := e.at(e.acked)
	if s.kind != slotDo || s.do == nil {
		return false
	}
	s.do.add(r.text)
	return true
}

// readEnds takes a line of the answer to M211.
func (e *engine) readEnds(r *reply) bool {
	from, to := e.acked, min(e.acked+1, e.cursor)
	if e.receipt {
		from, to = max(1, e.acked-8), e.cursor // its ok came before
	}
	for q := from; q < to; q++ {
		if e.at(q).kind == slotLimits {
			e.track.ends.read(r.text)
			return true
		}
	}
	return false
}

func (e *engine) at(seq int64) *slot { return &e.ring[seq%ringSize] }

func (e *engine) notice(now time.Time, text []byte) {
	if len(e.notices) >= maxNotices {
		e.notices = append(e.notices[:0], e.notices[1:]...)
	}
	e.notices = append(e.notices, Notice{At: now, Text: string(text)})
	e.changed = true
}

// onTemps takes a temperature line without ok: the answer to an M105 in some
// families, a report that comes by itself in all.
func (e *engine) onTemps(now time.Time, r *reply) {
	if e.dlg.stage == dAuditMark && e.receipt && !r.blank {
		// The ok came on receipt; this is the answer, for reports that come by
		// themselves begin with a blank.
		e.marked(now)
		return
	}
	if e.dlg.stage == dProbe {
		e.dlg.answered = true
	}
	if e.receipt && !r.blank {
		e.settingsOn = false // the query behind the settings was answered
		if d := e.late.do; d != nil && len(d.lines) == 0 && bytes.HasPrefix(d.text, []byte("M105")) {
			d.add(r.body)
		}
		return
	}
	if e.acked >= e.cursor {
		return
	}
	s := e.at(e.acked)
	if s.do != nil && s.n >= 4 && string(s.text[:4]) == "M105" && len(s.do.lines) == 0 {
		s.do.lines = append(s.do.lines, string(r.body))
	}
}

func (e *engine) onStart(now time.Time) {
	e.boots++
	e.changed = true
	if e.phase == Streaming || e.phase == Suspended {
		e.fail(now, CauseRebooted, "the board restarted in mid-print: its position is lost and its heaters are off; the run cannot go on")
		return
	}
	if e.phase == Failed {
		if e.reachable {
			e.renew(now)
		}
		return
	}
	e.phase = Opening
	e.restart(now)
}
