package link

import (
	"errors"
	"fmt"
	"io"
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

	afterResend bool // the next ok belongs to a refused line
	foreign     bool // the next ok belongs to a line that is not ours as it was run
	suspect     bool // something was run that bore no number
	surplus     int  // oks beyond the lines that can have drawn them
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

	do []*doRequest

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
	positions      bool       // M114 was answered
	lastPrinter    int64      // seq of the newest line that prints a position of its own accord
	askAgain       int        // position reports in a row that could not be relied on
	said           [4]float64 // what the newest of them said
	settled        int64      // seq of the newest M114 sent with the planner empty
	askAfter       bool       // where the last command ends must be asked before going on
	reporting      bool       // temperature reports come by themselves
	named          bool       // M115 was answered
	unknownSync    bool
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
	e.lastPrinter, e.askAgain = 0, 0
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
		e.onTemps(r)
	case replyPosition:
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
		e.notice(now, r.text)
	case replyEcho:
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
	if e.acked < e.cursor && e.collect(r) {
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
	if e.acked >= e.cursor {
		return false
	}
	s := e.at(e.acked)
	if s.kind != slotDo || s.do == nil {
		return false
	}
	if len(s.do.lines) < 400 && s.do.bytes < 64<<10 {
		s.do.lines = append(s.do.lines, string(r.text))
		s.do.bytes += len(r.text)
	}
	return true
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
func (e *engine) onTemps(r *reply) {
	if e.dlg.stage == dProbe {
		e.dlg.answered = true
	}
	if e.acked >= e.cursor {
		return
	}
	s := e.at(e.acked)
	if s.do != nil && s.n >= 4 && string(s.text[:4]) == "M105" && len(s.do.lines) == 0 {
		s.do.lines = append(s.do.lines, string(r.body))
	}
}

// onOK finds the line that an ok belongs to.
func (e *engine) onOK(now time.Time, r *reply) {
	numbered := r.n >= 0
	if e.afterResend && !numbered && !r.temps && !r.pos {
		e.afterResend = false
		e.dlgResendOK(now)
		return
	}
	if r.pos {
		e.onPosition(now, r.body)
	}
	if e.dlg.stage != dNone && e.dlgOK(now, r) {
		return
	}
	if e.foreign && !numbered && !r.temps {
		e.foreign = false
		return
	}
	switch {
	case numbered:
		seq := r.n - e.shift
		if seq >= e.acked && seq < e.cursor {
			e.advanced++
			// The number itself may be damaged: what two oks agree on counts.
			if r.free >= 0 {
				e.confirmed = max(e.confirmed, min(seq, e.lastOK)+1)
			}
			e.lastOK = seq
			if r.free >= 0 {
				for q := e.acked; q <= seq; q++ {
					e.at(q).answer = true // it would have come before the ok
				}
			}
			e.acceptThrough(now, seq, e.freeSlots(r.free))
		}
	case r.temps:
		e.onMark(now, r)
	case e.advanced >= 2 && r.free >= 0:
		// A firmware that names the line in its ok did not name one: it ran
		// something that bore no number.
		e.suspect = true
	case e.advanced >= 2:
		// A bare ok belongs to a refused line whose Resend was lost.
		e.surplus++
	default:
		e.plainOK(now)
	}
}

// freeSlots is the number of free planner slots that may be relied on: the least
// of the newest reports, because one may be damaged. -1: unknown.
func (e *engine) freeSlots(free int) int {
	e.freeSeen[e.freeN%len(e.freeSeen)] = free
	e.freeN++
	if e.freeN < len(e.freeSeen) {
		return -1
	}
	least := free
	for _, f := range e.freeSeen {
		least = min(least, f)
	}
	if least > e.slots {
		e.slots = least
	}
	return least
}

func (e *engine) plainOK(now time.Time) {
	if e.acked >= e.cursor {
		e.surplus++
		return
	}
	if !e.checks && e.suspect && e.phase != Opening {
		e.suspect = false
		e.verify(now)
		return
	}
	if s := e.at(e.acked); e.asksReport(s) && !s.answer {
		// Its report comes before its ok: this ok has no line.
		e.surplus++
		return
	}
	e.acceptThrough(now, e.acked, -1)
}

// asksReport says that the line draws a position report, as this firmware has
// shown before.
func (e *engine) asksReport(s *slot) bool {
	return e.positions && (s.kind == slotPosition || s.kind == slotFinal || s.kind == slotMark && string(s.payload()) == "M114")
}

// onMark takes 'ok T:…': the ok of an M105 and of nothing else. Whatever was
// sent before it has been handled, and whatever was sent after it has not.
func (e *engine) onMark(now time.Time, r *reply) {
	q := e.unanswered("M105")
	if q < 0 {
		return
	}
	if s := e.at(q); s.do != nil && !s.do.over {
		s.do.lines = append(s.do.lines, string(r.body))
	}
	e.answered(now, q, true)
}

// rollback takes back oks that were counted and had no line.
func (e *engine) rollback(to int64) {
	if to < e.fed {
		to = e.fed
	}
	for e.acked > to {
		e.acked--
		s := e.at(e.acked)
		e.flight += s.wire
		e.tail -= s.wire
		if s.kind == slotSource {
			e.accepted = s.idx - 1
		}
	}
}

// acceptThrough counts every line up to seq as handled.
func (e *engine) acceptThrough(now time.Time, seq int64, free int) {
	for e.acked <= seq && e.acked < e.cursor {
		s := e.at(e.acked)
		e.flight -= s.wire
		e.tail += s.wire
		if s.times == 1 {
			e.rtt.add(now.Sub(s.sentAt))
		}
		if s.info.secs > 0 && s.info.class == quick {
			e.supply.accept(now, s.info.secs)
		}
		e.acked++
		if s.kind == slotSource {
			e.accepted, e.acceptedLine = s.idx, s.line
		}
		e.completed(s)
	}
	e.lastAck, e.marks, e.changed = now, 0, true
	e.timeoutsReset()
	e.feed(free)
}

func (e *engine) timeoutsReset() { e.sameWant = 0; e.badWant = 0 }

// feed gives the lower bound what is handled for certain. An ok that names its
// line, or the answer to a mark behind it, says so. A plain ok may be early
// (some families send it on receipt) or one too many: then the queue and the
// receive buffer are held back too.
func (e *engine) feed(free int) {
	for e.fed < e.acked {
		s := e.at(e.fed)
		sure := e.fed < e.confirmed
		if !sure && (e.acked-e.fed <= queuedLines || e.tail-s.wire < receiveBytes) {
			return
		}
		info := s.info
		if s.refused {
			info.block, info.sync = false, false
		}
		f := -1
		if e.fed == e.confirmed-1 {
			f = free
		}
		e.bound.take(s.idx, s.kind != slotSource, &info, f, e.slots)
		e.tail -= s.wire
		e.fed++
	}
}

// completed does what the end of a line calls for.
func (e *engine) completed(s *slot) {
	switch s.kind {
	case slotDo:
		if s.do != nil && !s.do.over {
			s.do.over = true
			close(s.do.done)
		}
		s.do = nil
	case slotSettings:
		e.settingsOn = false
	case slotSync:
		if s.refused {
			e.unknownSync = true
		}
	}
}

// onRefused takes 'Unknown command' and its kin: the line will get its ok all
// the same.
func (e *engine) onRefused(now time.Time, r *reply) {
	quoted := between(r.text, '"')
	seq := e.acked
	if quoted != nil {
		found := false
		for q := e.acked; q < e.cursor; q++ {
			if sameCommand(e.at(q).payload(), quoted) {
				seq, found = q, true
				break
			}
		}
		if !found {
			// It ran something that is not a line of ours: a damaged one.
			e.foreign = true
			return
		}
		if seq > e.acked && e.advanced < 2 {
			e.acceptThrough(now, seq-1, -1)
		}
	}
	if seq >= e.cursor {
		return
	}
	s := e.at(seq)
	s.refused = true
	if s.kind == slotDo {
		e.collect(r)
		return
	}
	if s.kind != slotSource {
		return
	}
	e.notice(now, r.text)
	if essential(s.info) && (e.phase == Streaming || e.phase == Suspended) {
		e.failAt(now, s.line, CauseRefused, "this firmware does not know %q in line %d of the file: without it the print would go wrong; slice for this machine, or take the command out", s.payload(), s.line)
	}
}

// essential commands must not be passed over: the print would go on cold, in
// the wrong place, or without the hands it asks for.
func essential(i lineInfo) bool {
	switch i.letter {
	case 'G':
		switch i.code {
		case 0, 1, 2, 3, 5, 10, 11, 20, 21, 28, 90, 91, 92:
			return true
		}
	case 'M':
		switch i.code {
		case 0, 1, 25, 82, 83, 104, 109, 116, 125, 140, 190, 191, 226, 600, 601:
			return true
		}
	case 'T':
		return true
	}
	return false
}

func between(b []byte, quote byte) []byte {
	first, last := -1, -1
	for i, c := range b {
		if c == quote {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if first < 0 || last <= first {
		return nil
	}
	return b[first+1 : last]
}

func sameCommand(a, b []byte) bool {
	for len(b) > 0 && b[len(b)-1] == ' ' {
		b = b[:len(b)-1]
	}
	return string(a) == string(b)
}

// onWait takes the word that the firmware sends each second while its queue is
// empty: lines that are still on their way then have been lost, or their oks.
func (e *engine) onWait(now time.Time) {
	if e.acked >= e.cursor || e.dlg.stage != dNone || now.Sub(e.lastWrite) < 300*time.Millisecond {
		e.waits = 0
		return
	}
	if e.waits++; e.waits > 1 {
		e.waits = 0
		e.timeout(now)
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

// fail ends the link's work with a cause.
func (e *engine) fail(now time.Time, c Cause, format string, args ...any) {
	line := e.acceptedLine
	if e.acked < e.cursor {
		for q := e.acked; q < e.cursor; q++ {
			if s := e.at(q); s.kind == slotSource {
				line = s.line
				break
			}
		}
	}
	e.failAt(now, line, c, format, args...)
}

func (e *engine) failAt(now time.Time, line int64, c Cause, format string, args ...any) {
	if e.phase == Closed {
		return
	}
	if e.phase == Failed {
		// What was left of the conversation is lost too.
		e.reachable = false
		e.dlg.stage = dNone
		e.changed = true
		e.endRequests(&FaultError{*e.fault})
		return
	}
	if e.phase != Streaming && e.phase != Suspended {
		line = 0
	}
	text := fmt.Sprintf(format, args...)
	if line > 0 {
		text = fmt.Sprintf("line %d: %s", line, text)
	}
	e.fault = &Fault{Cause: c, Text: text, Line: line, At: now}
	e.phase = Failed
	e.src = nil
	e.dlg.stage = dNone
	e.supply.pause()
	e.changed = true
	e.endRequests(&FaultError{*e.fault})
	switch c {
	case CauseColdExtrusion, CauseUnsendable, CauseSource, CauseRefused:
		e.reachable = true
	case CauseDesync, CausePosition, CauseResends, CauseRebooted:
		e.reachable = true
		e.renew(now)
	}
}

// renew starts the numbering anew after a run was given up, so that heaters can
// still be turned off.
func (e *engine) renew(now time.Time) {
	e.acked, e.cursor, e.head, e.fed, e.confirmed, e.lastOK = 1, 1, 1, 1, 1, 0
	e.shift = firstNumber
	e.flight, e.tail, e.marks = 0, 0, 0
	e.afterResend, e.foreign, e.suspect, e.surplus = false, false, false, 0
	e.own = e.own[:0]
	e.window = 0
	e.openAt = now
	e.dlg = dialogue{stage: dListen, until: now.Add(300 * time.Millisecond)}
}

// over says that nothing more will be said on this link.
func (e *engine) over() bool { return e.phase == Closed || e.phase == Failed && !e.reachable }

func (e *engine) endRequests(err error) {
	for q := e.acked; q < e.head; q++ {
		if s := e.at(q); s.do != nil {
			e.do = append(e.do, s.do)
			s.do = nil
		}
	}
	for _, d := range e.do {
		if !d.over {
			d.err, d.over = err, true
			close(d.done)
		}
	}
	e.do = nil
}

// room says whether a line of so many bytes may be sent now.
func (e *engine) room(bytes int) bool {
	lines := e.cursor - e.acked
	if lines == 0 {
		return true
	}
	if e.window == 0 || e.cursor < e.calmAt {
		return false
	}
	most := int64(roomyLines)
	if e.emergency {
		most = manyLines
	}
	return lines < most && e.flight+bytes <= e.window
}

// pump writes what may be written.
func (e *engine) pump(now time.Time) {
	for {
		if e.over() || e.dlg.stage != dNone {
			return
		}
		if e.head-e.fed > ringSize-24 {
			return
		}
		if e.cursor < e.head {
			s := e.at(e.cursor)
			if !e.room(wireLength(e.cursor+e.shift, s.n) + 1) {
				return
			}
			e.resends++
			e.write(now, s)
			continue
		}
		if e.pumpUrgent(now) || e.pumpOwn(now) || e.pumpDo(now) {
			continue
		}
		if e.phase == Opening {
			if e.acked == e.head && len(e.own) == 0 {
				e.openNext(now)
				if len(e.own) > 0 {
					continue
				}
			}
			return
		}
		if e.phase == Idle || e.phase == Suspended {
			e.pumpPoll(now)
			return
		}
		if e.phase != Streaming {
			return
		}
		if !e.pumpSource(now) {
			return
		}
	}
}

// pumpUrgent sends what must not wait for room.
func (e *engine) pumpUrgent(now time.Time) bool {
	for i, d := range e.do {
		if d.over || !urgent(d.text) || e.flight+len(d.text)+12 > receiveBytes-2 {
			continue
		}
		e.do = append(e.do[:i], e.do[i+1:]...)
		e.sendDo(now, d)
		return true
	}
	return false
}

func (e *engine) pumpOwn(now time.Time) bool {
	if len(e.own) == 0 || !e.room(len(e.own[0].text)+16) {
		return false
	}
	o := e.own[0]
	if (o.kind == slotPosition || o.kind == slotFinal) && e.reportsPosition() {
		return false
	}
	e.own = append(e.own[:0], e.own[1:]...)
	e.sendOwn(now, o.kind, o.text)
	return true
}

// marking says that a mark is on its way.
func (e *engine) marking() bool {
	for q := e.acked; q < e.cursor; q++ {
		if e.at(q).kind == slotMark {
			return true
		}
	}
	return false
}

// reportsPosition says whether a line on its way may print a position of its own accord.
func (e *engine) reportsPosition() bool {
	for q := e.acked; q < e.cursor; q++ {
		i := &e.at(q).info
		if i.letter == 'G' && (i.code == 28 || i.code == 92 || i.code == 29) {
			return true
		}
	}
	return false
}

func (e *engine) asksPosition() bool {
	for q := e.acked; q < e.cursor; q++ {
		if k := e.at(q).kind; k == slotPosition || k == slotFinal {
			return true
		}
	}
	return false
}

func (e *engine) pumpDo(now time.Time) bool {
	for len(e.do) > 0 && e.do[0].over {
		e.do = append(e.do[:0], e.do[1:]...)
	}
	if len(e.do) == 0 || e.phase == Opening || !e.room(len(e.do[0].text)+16) {
		return false
	}
	d := e.do[0]
	e.do = append(e.do[:0], e.do[1:]...)
	e.sendDo(now, d)
	return true
}

func (e *engine) sendDo(now time.Time, d *doRequest) {
	s := e.alloc(slotDo, d.text)
	s.do = d
	e.write(now, s)
}

func (e *engine) sendOwn(now time.Time, kind slotKind, text string) {
	s := e.alloc(kind, nil)
	s.n = copy(s.text[:], text)
	s.info = classify(s.payload())
	e.follow(s)
	if kind == slotSettings {
		e.settingsOn = true
		e.ident.Settings = e.ident.Settings[:0:0]
	}
	e.write(now, s)
}

// alloc takes the next slot at the head.
func (e *engine) alloc(kind slotKind, text []byte) *slot {
	s := e.at(e.head)
	*s = slot{seq: e.head, kind: kind, idx: e.idx, line: e.sentLine}
	if text != nil {
		s.n = copy(s.text[:], text)
		s.info = classify(s.payload())
		e.follow(s)
	}
	e.head++
	return s
}

// follow notes where the command leads.
func (e *engine) follow(s *slot) {
	s.before, s.beforeK = e.track.pos, e.track.known
	e.track.apply(s.payload(), &s.info)
	s.after, s.afterK, s.gen = e.track.pos, e.track.known, e.track.gen
	if s.info.secs > 0 {
		e.recent[e.recentN%len(e.recent)] = s.info.secs
		e.recentN++
		longest := 0.0
		for _, secs := range e.recent {
			longest = max(longest, secs)
		}
		e.longest = time.Duration(longest * float64(time.Second))
	}
}

// write puts the slot at the cursor on the wire.
func (e *engine) write(now time.Time, s *slot) {
	n := len(e.out)
	e.out = appendLine(e.out, e.cursor+e.shift, s.payload())
	s.wire = len(e.out) - n
	s.sentAt = now
	s.times++
	e.flight += s.wire
	e.cursor++
	e.lastWrite = now
	e.bytesOut += int64(s.wire)
	e.streamBytes += int64(s.wire)
	if s.kind == slotSource && s.times == 1 {
		e.sent, e.sentLine = s.idx, s.line
		e.changed = true
	}
}

// raw puts a line on the wire that is no part of the sequence.
func (e *engine) raw(now time.Time, number int64, text string) {
	n := len(e.out)
	e.out = append(e.out, 'N')
	e.out = e.out[:n]
	var buf [maxPayload]byte
	e.out = appendLine(e.out, number, buf[:copy(buf[:], text)])
	e.bytesOut += int64(len(e.out) - n)
	e.lastWrite = now
}

// pumpSource sends the next command of the source, or a line of the link's own
// that is due. It returns false when nothing more may go out now.
func (e *engine) pumpSource(now time.Time) bool {
	if !e.peeked && !e.srcEOF && !e.aborting {
		if !e.fetch(now) {
			return e.phase == Streaming && e.srcEOF
		}
	}
	if e.askAfter {
		if e.acked < e.head {
			return false
		}
		if e.printerPending() {
			e.sendOwn(now, slotMark, "M105")
			return true
		}
		e.askAfter = false
		e.settled = e.head
		e.sendOwn(now, slotPosition, "M114")
		return true
	}
	if e.peeked && !e.aborting {
		p := &e.peek
		if !e.room(wireLength(e.head+e.shift, p.n) + 1) {
			return false
		}
		if e.due(now) {
			return true
		}
		if p.info.letter == 'G' && (p.info.code == 28 || p.info.code == 92) && e.asksPosition() {
			return false
		}
		s := e.alloc(slotSource, nil)
		s.n = copy(s.text[:], p.payload())
		s.info = p.info
		e.idx++
		s.idx, s.line = e.idx, p.line
		e.follow(s)
		if s.info.letter == 'G' && (s.info.code == 28 || s.info.code == 29 || s.info.code == 92) {
			e.lastPrinter = s.seq
		}
		e.peeked = false
		e.write(now, s)
		if s.info.class == travel && s.info.sync && e.positions {
			e.askAfter = true
		}
		return true
	}
	return e.pumpEnd(now)
}

// fetch takes the next command from the source. false: none came.
func (e *engine) fetch(now time.Time) bool {
	for {
		text, line, err := e.src.Next()
		if errors.Is(err, io.EOF) {
			e.srcEOF = true
			return false
		}
		if err != nil {
			e.failAt(now, line, CauseSource, "the file cannot be read on: %v", err)
			return false
		}
		if len(text) == 0 {
			continue
		}
		p := &e.peek
		*p = slot{kind: slotSource, line: line}
		if !e.takeText(now, p, text, line) {
			return false
		}
		e.peeked = true
		return true
	}
}

// takeText copies a command of the source into the slot, or refuses it.
func (e *engine) takeText(now time.Time, p *slot, text []byte, line int64) bool {
	if len(text) > maxPayload || wireLength(e.head+e.shift+1000, len(text)) > maxLine {
		e.failAt(now, line, CauseUnsendable, "this line is %d characters long; with number and checksum firmware takes %d: shorten it", len(text), maxLine)
		return false
	}
	for _, c := range text {
		if c < ' ' && c != '\t' || c == 0x7f {
			e.failAt(now, line, CauseUnsendable, "this line holds the byte %#02x, which cannot be sent safely", c)
			return false
		}
	}
	p.n = copy(p.text[:], text)
	p.info = classify(p.payload())
	if !reserved(p.payload()) {
		return true
	}
	if hasText(p.info.letter, p.info.code) {
		// The words are looked for case-sensitively; a message may say them in
		// lower case.
		defuse(p.payload())
		return true
	}
	if p.info.letter == 'M' && p.info.code == 110 {
		e.failAt(now, line, CauseUnsendable, "the file sets the line number (M110), which belongs to the link: take the line out")
		return false
	}
	e.failAt(now, line, CauseUnsendable, "the file holds a command that would halt the machine or break the numbering: %q", p.payload())
	return false
}

// defuse makes M110 and M112 in a message lower case.
func defuse(b []byte) {
	for i := 1; i+4 <= len(b); i++ {
		if b[i] == 'M' && b[i+1] == '1' && b[i+2] == '1' && (b[i+3] == '0' || b[i+3] == '2') {
			b[i] = 'm'
		}
	}
}

// due sends a mark, a position query or a temperature query whose time has come.
func (e *engine) due(now time.Time) bool {
	if e.checks && e.o.AuditEvery > 0 && now.Sub(e.auditAt) >= e.o.AuditEvery && !e.reportsPosition() && !e.asksPosition() {
		if e.printerPending() {
			if !e.marking() {
				e.sendOwn(now, slotMark, "M105")
				return true
			}
			return e.pumpPoll(now)
		}
		e.auditAt = now
		e.sendOwn(now, slotPosition, "M114")
		return true
	}
	return e.pumpPoll(now)
}

// pumpPoll asks for temperatures where they do not come by themselves.
func (e *engine) pumpPoll(now time.Time) bool {
	if e.o.ReportEvery <= 0 || now.Before(e.pollAt) || e.acked < e.cursor && e.phase != Streaming {
		return false
	}
	if e.reporting && now.Sub(e.heatAt) < 3*e.o.ReportEvery+time.Second {
		e.pollAt = now.Add(e.o.ReportEvery)
		return false
	}
	e.pollAt = now.Add(e.o.ReportEvery)
	e.sendOwn(now, slotPoll, "M105")
	return true
}

// pumpEnd runs the end of a stream: empty the planner, ask where it stands.
func (e *engine) pumpEnd(now time.Time) bool {
	if e.acked < e.head {
		return false
	}
	switch e.ending {
	case 0:
		e.supply.pause()
		e.ending = 1
		e.unknownSync = false
		if e.checks {
			e.own = append(e.own, ownLine{slotSync, "M400"})
		} else {
			e.own = append(e.own, ownLine{slotSync, "G4 P1"})
		}
		return true
	case 1:
		if e.printerPending() {
			e.own = append(e.own, ownLine{slotMark, "M105"})
			return true
		}
		if e.unknownSync {
			e.unknownSync = false
			e.own = append(e.own, ownLine{slotSync, "G4 P1"})
			return true
		}
		e.ending = 2
		e.own = append(e.own, ownLine{slotFinal, "M114"})
		return true
	}
	e.confirmed = e.acked
	e.feed(-1)
	e.bound.raise(e.idx)
	e.finished = e.srcEOF && !e.aborting
	e.phase = Idle
	e.src = nil
	e.changed = true
	return false
}
