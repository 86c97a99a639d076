package link

import (
	"bytes"
	"math"
	"time"
)

// stage is where a conversation apart from the stream stands. While one runs,
// nothing of the stream is written.
type stage uint8

const (
	dNone      stage = iota
	dListen          // opening: waiting for boot text, or for its end
	dClear           // opening: an empty line was sent to end a torn one
	dHello           // opening: M110 was sent, its ok is awaited
	dSettle          // opening: any further ok is let pass
	dProbe           // opening: a number far ahead was sent, to see whether numbers are checked
	dAsked           // the number wanted was named: does an ok follow a refusal?
	dQuiet           // a line was refused: waiting for the line to fall silent
	dRewrite         // the same where numbers are not checked: the line goes out again
	dAuditMark       // M105 was sent in the place of the refused line, to see what went before it through
	dAudit           // M114 was sent in the place of the refused line
	dAuditOK         // its ok is awaited
	dRenumber        // M110 was sent to set the number back
	dVClear          // no ok, numbers not checked: an empty line was sent
	dVDwell          // then a dwell of a millisecond, which waits for the end of all moves
)

type dialogue struct {
	stage    stage
	until    time.Time // what happens next if nothing is heard
	want     int64     // seq of the line that the firmware asked for
	windowed bool      // other lines were on their way behind it
	tries    int
	asked    int
	answered bool
	verify   bool // the audit asks whether the one line on its way was run
	pos      [4]float64
	hasE     bool
	again    bool       // the report disagreed once
	first    [4]float64 // and said this
}

var allKnown = [4]bool{true, true, true, true}

const farAhead = 900000

func (e *engine) enter(now time.Time, s stage, wait time.Duration) {
	e.dlg.stage = s
	e.dlg.until = now.Add(wait)
}

// dlgOK gives an ok to the conversation. true: it took it.
func (e *engine) dlgOK(now time.Time, r *reply) bool {
	switch e.dlg.stage {
	case dListen, dClear, dVClear, dRewrite, dAudit:
		return true
	case dHello:
		e.enter(now, dSettle, 80*time.Millisecond)
		return true
	case dSettle, dAsked:
		e.enter(now, e.dlg.stage, 80*time.Millisecond)
		return true
	case dProbe:
		if r.temps {
			e.dlg.answered = true
		}
		if e.dlg.answered {
			// It ran a line with a wild number: it does not look at numbers.
			e.checks = false
			e.enter(now, dNone, 0)
		}
		return true
	case dQuiet:
		if r.n >= 0 {
			return false
		}
		if r.temps {
			return false
		}
		if e.advanced >= 2 {
			return false
		}
		if e.foreign {
			e.foreign = false
			return true
		}
		if e.acked < e.dlg.want {
			e.acceptThrough(now, e.acked, -1)
		} else {
			e.surplus++
		}
		return true
	case dAuditMark:
		if r.temps {
			// It took the number of the wanted line.
			e.shift++
			e.confirmed = max(e.confirmed, e.dlg.want)
			e.lastPrinter = min(e.lastPrinter, e.confirmed-1)
			e.audit(now)
		}
		return true
	case dAuditOK:
		e.decide(now)
		return true
	case dRenumber:
		e.audit(now)
		return true
	case dVDwell:
		e.audit(now)
		return true
	}
	return false
}

// dlgResendOK takes the ok that closes a refusal.
func (e *engine) dlgResendOK(now time.Time) {
	switch e.dlg.stage {
	case dAsked:
		e.enter(now, dSettle, 40*time.Millisecond)
	case dQuiet:
		if !e.dlg.windowed {
			// Nothing else was on its way: there is nothing to wait for.
			e.dlgExpire(now)
		}
	case dRewrite:
		e.dlgExpire(now)
	}
}

// onResend takes a request for a line.
func (e *engine) onResend(now time.Time, r *reply) {
	e.afterResend = !e.mutters
	e.changed = true
	d := &e.dlg
	switch d.stage {
	case dHello:
		e.enter(now, dClear, 100*time.Millisecond)
	case dProbe:
		switch r.n {
		case e.head + e.shift:
			e.checks = true
			e.enter(now, dAsked, 150*time.Millisecond)
		default:
			// Damaged on the way, or the answer was: once more.
			e.probe(now)
		}
	case dQuiet:
		d.want = r.n - e.shift
		if r.n < 0 {
			d.want = math.MinInt64
		}
		e.enter(now, dQuiet, quietWindow)
	case dRewrite:
		e.enter(now, dRewrite, quietSingle)
	case dAuditMark, dAudit, dAuditOK:
		e.retryAudit(now)
	case dRenumber:
		e.renumber(now)
	case dVDwell:
		e.verifyDwell(now)
	case dNone:
		e.refused(now, r)
	}
}

// refused starts on a request for a line outside any other conversation.
func (e *engine) refused(now time.Time, r *reply) {
	if !e.checks {
		if e.acked < e.cursor {
			e.dlg = dialogue{want: e.acked}
			e.enter(now, dRewrite, quietSingle)
		}
		return
	}
	seq := r.n - e.shift
	if seq == e.cursor && e.cursor == e.head {
		// It has every line and wants the next: the answer to a number far ahead.
		// Its queue has room, then, for one more mark.
		if e.acked < e.cursor {
			e.sendMark(now)
		}
		return
	}
	e.dlg = dialogue{want: seq, windowed: e.cursor-e.acked > 1}
	if r.n < 0 {
		e.dlg.want = math.MinInt64
	}
	wait := quietSingle
	if e.dlg.windowed {
		wait = quietWindow
	}
	e.enter(now, dQuiet, wait)
}

// dlgExpire moves the conversation on when its time is up.
func (e *engine) dlgExpire(now time.Time) {
	d := &e.dlg
	switch d.stage {
	case dListen:
		if now.Sub(e.talkAt) < 400*time.Millisecond && now.Sub(e.openAt) < 20*time.Second {
			e.enter(now, dListen, 400*time.Millisecond) // boot text is still coming
			return
		}
		e.hello(now)
	case dClear:
		e.raw(now, e.shift, "M110 N"+itoa(e.shift))
		e.enter(now, dHello, 2*time.Second)
	case dHello:
		e.helloAgain(now)
	case dSettle:
		e.enter(now, dNone, 0)
	case dAsked:
		// No ok came. Ask twice, for it may have been lost.
		e.afterResend = false
		if d.asked++; d.asked < 2 {
			e.probe(now)
			return
		}
		e.mutters = true
		e.enter(now, dNone, 0)
	case dProbe:
		if e.alive(now) && d.tries < 30 {
			d.tries++
			e.enter(now, dProbe, time.Second)
			return
		}
		e.probe(now)
	case dQuiet:
		e.answerRefusal(now)
	case dRewrite:
		e.rewrite(now)
	case dAuditMark, dAudit:
		if e.backlog(now) > 0 || e.busyNow(now) {
			e.enter(now, d.stage, time.Second)
			return
		}
		e.retryAudit(now)
	case dAuditOK:
		e.decide(now)
	case dRenumber:
		e.audit(now)
	case dVClear:
		d.tries = 0
		e.verifyDwell(now)
	case dVDwell:
		if e.backlog(now) > 0 {
			e.enter(now, dVDwell, time.Second)
			return
		}
		e.verifyDwell(now)
	}
}

// alive says that the firmware showed signs of life in the last seconds.
func (e *engine) alive(now time.Time) bool {
	return e.busyNow(now) || !e.heatAt.IsZero() && now.Sub(e.heatAt) < 4*time.Second
}

func (e *engine) busyNow(now time.Time) bool {
	return !e.busyAt.IsZero() && now.Sub(e.busyAt) < 5*time.Second && e.busyOn
}

// backlog is how much longer the moves that were accepted take, by the estimate.
func (e *engine) backlog(now time.Time) time.Duration {
	return max(0, e.supply.until.Sub(now))
}

func (e *engine) hello(now time.Time) {
	e.out = append(e.out, '\n')
	e.bytesOut++
	e.lastWrite = now
	e.enter(now, dClear, 150*time.Millisecond)
}

func (e *engine) helloAgain(now time.Time) {
	if now.Sub(e.openAt) > e.o.OpenFor && !e.alive(now) {
		if e.bytesIn == 0 {
			e.fail(now, CauseSilent, "nothing answers on this port: check the cable, the printer's switch, and the baud rate")
		} else {
			e.fail(now, CauseSilent, "something answers on this port, but not as printer firmware does: check the baud rate")
		}
		return
	}
	if e.alive(now) && e.dlg.tries < 5 {
		// It is busy with what somebody else began: our line waits in its queue.
		e.dlg.tries++
		e.enter(now, dHello, 2*time.Second)
		return
	}
	e.dlg.tries = 0
	e.hello(now)
}

// probe sends a line with a number far ahead: a firmware that checks numbers
// asks for the one it wants and runs nothing, the others answer the M105.
func (e *engine) probe(now time.Time) {
	e.openTries++
	if e.openTries > 8 {
		// It says neither: assume the worst, one line at a time.
		e.checks = false
		e.enter(now, dNone, 0)
		return
	}
	e.raw(now, e.head+e.shift+farAhead, "M105")
	e.dlg = dialogue{asked: e.dlg.asked}
	e.enter(now, dProbe, time.Second)
}

// answerRefusal decides what to do once the line is quiet.
func (e *engine) answerRefusal(now time.Time) {
	d := &e.dlg
	want := d.want
	e.noisy()
	if want > e.cursor || want < max(1, e.head-ringSize+8, e.fed-8) {
		e.badWant++
		if e.badWant >= 3 {
			if want+e.shift <= firstNumber && want != math.MinInt64 {
				e.fail(now, CauseRebooted, "the firmware asks for line %d, which means that it was reset: its position is lost and its heaters are off; the run cannot go on", want+e.shift)
			} else {
				e.fail(now, CauseDesync, "the firmware asks for a line that cannot be the next one: host and firmware no longer agree on what was sent")
			}
			return
		}
		e.enter(now, dNone, 0)
		e.mark(now)
		return
	}
	if want == e.lastWant {
		e.sameWant++
	} else {
		e.lastWant, e.sameWant = want, 0
	}
	if e.sameWant > refusalsInARow {
		e.fail(now, CauseResends, "the firmware refused the same line %d times: the connection is too poor; check cable, plugs, and what runs beside them", e.sameWant)
		return
	}
	if want == e.cursor {
		// It has everything: the refusal was of something else.
		e.enter(now, dNone, 0)
		return
	}
	if want < e.acked || d.windowed || e.suspect || e.surplus > 0 {
		d.tries = 0
		e.audit(now)
		return
	}
	e.resumeFrom(now, want)
}

// noisy goes back to one line at a time for a while: then no line can be torn
// by the flush that a refusal brings.
func (e *engine) noisy() {
	if e.head-e.calmAt > 20*e.calm {
		e.calm = 64
	} else {
		e.calm = min(e.calm*2, 16384)
	}
	e.calmAt = e.head + e.calm
}

// resumeFrom writes again from the line asked for.
func (e *engine) resumeFrom(now time.Time, want int64) {
	e.acceptThrough(now, want-1, -1)
	e.cursor = want
	e.flight = 0
	for q := e.acked; q < e.cursor; q++ {
		e.flight += e.at(q).wire
	}
	e.suspect, e.foreign, e.surplus = false, false, 0
	e.lastAck = now
	e.enter(now, dNone, 0)
}

// rewrite sends the one line on its way again, where numbers are not checked.
func (e *engine) rewrite(now time.Time) {
	e.sameWant++
	if e.sameWant > refusalsInARow {
		e.fail(now, CauseResends, "the firmware refused the same line %d times: the connection is too poor; check cable, plugs, and what runs beside them", e.sameWant)
		return
	}
	same := e.sameWant
	e.resumeFrom(now, e.acked)
	e.sameWant = same
}

// audit asks for the position in the place of the line that was asked for: the
// answer shows whether something ran that bore no number.
func (e *engine) audit(now time.Time) {
	if e.printerPending() {
		// The answer to an M105 cannot be mistaken for anybody else's.
		e.raw(now, e.dlg.want+e.shift, "M105")
		e.enter(now, dAuditMark, 1500*time.Millisecond)
		return
	}
	e.raw(now, e.dlg.want+e.shift, "M114")
	e.enter(now, dAudit, 1500*time.Millisecond)
}

func (e *engine) retryAudit(now time.Time) {
	e.dlg.tries++
	if e.dlg.tries > 8 {
		e.fail(now, CauseSilent, "the firmware does not say where it stands after it lost a line: the run cannot go on safely")
		return
	}
	if !e.checks {
		e.audit(now)
		return
	}
	e.renumber(now)
}

func (e *engine) renumber(now time.Time) {
	n := e.dlg.want - 1 + e.shift
	e.raw(now, n, "M110 N"+itoa(n))
	e.enter(now, dRenumber, 400*time.Millisecond)
}

// verify asks a firmware that does not check numbers whether the one line on
// its way was run: an empty line to end a torn one, a dwell to let the moves
// end, then the position.
func (e *engine) verify(now time.Time) {
	e.dlg = dialogue{want: e.acked, verify: true}
	e.out = append(e.out, '\n')
	e.bytesOut++
	e.lastWrite = now
	e.enter(now, dVClear, 250*time.Millisecond)
}

func (e *engine) verifyDwell(now time.Time) {
	e.dlg.tries++
	if e.dlg.tries > 6 {
		e.fail(now, CauseSilent, "the firmware does not answer: check the cable and the printer's power")
		return
	}
	e.raw(now, e.dlg.want+e.shift, "G4 P1")
	e.enter(now, dVDwell, e.backlog(now)+3*time.Second)
}

// onPosition takes a position report.
func (e *engine) onPosition(now time.Time, b []byte) {
	pos, hasE, ok := readPosition(b)
	if !ok {
		return
	}
	if e.dlg.stage == dAudit {
		e.dlg.pos, e.dlg.hasE = pos, hasE
		e.enter(now, dAuditOK, 300*time.Millisecond)
		return
	}
	if e.dlg.stage != dNone {
		return
	}
	q := e.unanswered("M114")
	if q < 0 {
		return
	}
	e.positions = true
	switch s := e.answered(now, q, false); s.kind {
	case slotPosition, slotFinal, slotMark:
		e.compare(now, s, b, pos, hasE)
	}
}

// consistent says that a report agrees with itself: where it gives steps too, and
// they are the planned ones, damage would show.
func (e *engine) consistent(b []byte, pos [4]float64) bool {
	i := bytes.Index(b, []byte("Count "))
	if i < 0 {
		return false
	}
	steps, _, ok := readPosition(b[i+6:])
	if !ok {
		return false
	}
	for axis := range 3 {
		per := e.track.steps[axis]
		if per <= 0 || math.Abs(steps[axis]-pos[axis]*per) > per*0.011+1 {
			return false
		}
	}
	return true
}

// near says whether a report agrees with what was expected, on the axes known.
// Reports are rounded to a hundredth; E is summed in single precision by the
// firmware and may drift a little between two reports.
func near(want [4]float64, known [4]bool, pos [4]float64, hasE bool) bool {
	for i := range want {
		tol := 0.021
		if i == 3 {
			if !hasE {
				continue
			}
			tol = 0.06
		}
		if known[i] && math.Abs(want[i]-pos[i]) > tol {
			return false
		}
	}
	return true
}

// differs says whether two positions can be told apart in a report.
func differs(a [4]float64, ak [4]bool, b [4]float64, bk [4]bool, hasE bool) bool {
	for i := range a {
		tol := 0.045
		if i == 3 {
			if !hasE {
				continue
			}
			tol = 0.125
		}
		if ak[i] && bk[i] && math.Abs(a[i]-b[i]) > tol {
			return true
		}
	}
	return false
}

// printerPending says that a line that prints a position of its own accord may
// still be unhandled, so that the next report may be its, not the one asked for.
func (e *engine) printerPending() bool { return e.checks && e.lastPrinter >= e.confirmed }

// compare holds a position report of the stream against what was sent before it.
func (e *engine) compare(now time.Time, s *slot, b []byte, pos [4]float64, hasE bool) {
	if !e.checks && s.kind != slotFinal && s.seq != e.settled {
		return // it tells where the nozzle is, not where the moves lead
	}
	agrees := near(s.before, s.beforeK, pos, hasE)
	if !e.consistent(b, pos) && (!agrees || e.discovers(s, hasE)) {
		// The report itself may be damaged: what is said twice counts.
		same := e.askAgain > 0 && near(e.said, allKnown, pos, hasE)
		if !same && e.askAgain < 4 {
			e.askAgain++
			e.said = pos
			e.repeatQuery(s.kind)
			return
		}
		if !same {
			return // unreadable: nothing is learned from it
		}
	}
	e.askAgain = 0
	if !agrees && (e.phase == Streaming || e.phase == Suspended) {
		e.fail(now, CausePosition, "the firmware stands at X%.2f Y%.2f Z%.2f E%.2f, sent was X%.2f Y%.2f Z%.2f E%.2f: a command was damaged or run twice on the way", pos[0], pos[1], pos[2], pos[3], s.before[0], s.before[1], s.before[2], s.before[3])
		return
	}
	if s.beforeK[0] {
		e.audits++
	}
	e.adopt(s, pos, hasE)
}

// discovers says that the report would tell of an axis that was not known.
func (e *engine) discovers(s *slot, hasE bool) bool {
	for i, k := range s.beforeK {
		if !k && (i < 3 || hasE) && s.gen[i] == e.track.gen[i] {
			return true
		}
	}
	return false
}

// repeatQuery asks for the position once more, before anything else is sent.
func (e *engine) repeatQuery(k slotKind) {
	switch {
	case k == slotFinal:
		e.own = append(e.own, ownLine{slotFinal, "M114"})
	case e.phase == Streaming:
		e.askAfter = true
	default:
		e.settled = e.head
		e.own = append(e.own, ownLine{slotPosition, "M114"})
	}
}

// adopt takes the reported position over, carried along later relative moves,
// so that neither rounding nor what the machine decided itself adds up.
func (e *engine) adopt(s *slot, pos [4]float64, hasE bool) {
	for i := range pos {
		if i == 3 && !hasE || s.gen[i] != e.track.gen[i] {
			continue
		}
		d := pos[i] - s.after[i]
		e.track.pos[i] += d
		e.track.known[i] = true
		// Lines on their way already carry the old figures.
		for q := e.acked; q < e.head; q++ {
			l := e.at(q)
			if l.gen[i] == s.gen[i] {
				l.before[i] += d
				l.after[i] += d
				l.beforeK[i], l.afterK[i] = true, true
			}
		}
	}
}

// decide weighs the position reported in the place of the wanted line.
func (e *engine) decide(now time.Time) {
	d := &e.dlg
	s := e.at(d.want)
	own := s.kind != slotSource
	before := near(s.before, s.beforeK, d.pos, d.hasE)
	after := near(s.after, s.afterK, d.pos, d.hasE)
	apart := differs(s.before, s.beforeK, s.after, s.afterK, d.hasE)
	doubt := d.verify || d.want < e.acked || e.suspect
	want := d.want
	took := int64(0)
	if e.checks {
		took = 1 // the query took the number of the wanted line
	}
	switch {
	case before && (apart || own || !doubt):
		if want < e.acked {
			e.rollback(want)
			if e.acked > want {
				e.fail(now, CauseDesync, "the firmware says that it lacks a line that had to be taken as executed long ago: host and firmware no longer agree")
				return
			}
		}
		if e.surplus > 0 && d.windowed && !e.onlyMoves(want+1) {
			e.fail(now, CauseDesync, "part of a line may have been run unverified after an error on the line: what was executed cannot be told")
			return
		}
		e.shift += took
		e.confirmed = max(e.confirmed, want)
		e.resumeFrom(now, want)
	case after && apart:
		// It ran, without its number or with its ok lost.
		e.cursor = max(e.cursor, want+1)
		if e.acked <= want {
			e.acceptThrough(now, want, -1)
		} else {
			e.rollback(want + 1)
		}
		e.confirmed = max(e.confirmed, want+1)
		e.resumeFrom(now, want+1)
	case before || after:
		e.fail(now, CauseDesync, "whether %q was executed cannot be told from the position: the run is stopped rather than run it twice or not at all", s.payload())
	case !d.again || differs(d.first, allKnown, d.pos, allKnown, d.hasE):
		// The report itself may be damaged: nothing moves until it is said twice.
		d.again, d.first = true, d.pos
		e.retryAudit(now)
	default:
		e.fail(now, CausePosition, "after an error on the line the firmware stands at X%.2f Y%.2f Z%.2f E%.2f, expected was X%.2f Y%.2f Z%.2f E%.2f: something was run that was not sent", d.pos[0], d.pos[1], d.pos[2], d.pos[3], s.before[0], s.before[1], s.before[2], s.before[3])
	}
}

// onlyMoves says that every line from seq on that was on its way would have
// shown in the position, had it been run.
func (e *engine) onlyMoves(seq int64) bool {
	for q := seq; q < e.cursor; q++ {
		s := e.at(q)
		if s.kind == slotSource && !differs(s.before, s.beforeK, s.after, s.afterK, true) {
			return false
		}
	}
	return true
}

// mark writes a line whose answer shows what was handled before it: an M105 in
// the sequence, or simply the next line that waits to be written again.
func (e *engine) mark(now time.Time) {
	e.marks++
	if e.cursor < e.head {
		s := e.at(e.cursor)
		e.resends++
		e.write(now, s)
		return
	}
	if e.marks > 60 && !e.busyNow(now) && now.Sub(e.lastAck) > 10*time.Minute {
		e.fail(now, CauseSilent, "the printer can be heard, but for ten minutes it has acknowledged nothing: what is sent does not reach it; check the cable")
		return
	}
	if !e.sendMark(now) {
		// It works on something, or its answers are lost. A number far ahead
		// fills no queue: the answer to it tells what has arrived.
		e.raw(now, e.cursor+e.shift+farAhead, "M105")
	}
}

// sendMark sends a query whose answer cannot be mistaken for that to another one
// on its way. It returns false when all kinds are on their way.
func (e *engine) sendMark(now time.Time) bool {
	if e.head-e.fed >= ringSize-8 {
		return false
	}
	for _, q := range [...]string{"M105", "M114", "M115"} {
		if e.unanswered(q) >= 0 || q == "M114" && (e.printerPending() || !e.positions) {
			continue
		}
		e.sendOwn(now, slotMark, q)
		return true
	}
	return false
}

// unanswered finds the oldest line of this text whose answer has not come. An
// ok too many may have been counted for it: it is looked for behind acked too.
func (e *engine) unanswered(text string) int64 {
	for q := max(e.acked-8, 1); q < e.cursor; q++ {
		s := e.at(q)
		if !s.answer && s.n >= len(text) && string(s.text[:len(text)]) == text {
			return q
		}
	}
	return -1
}

// answered takes a report that can only have come from the line q: whatever was
// sent before it has been handled, and whatever was sent after it has not. Its
// own ok is included when through is set.
func (e *engine) answered(now time.Time, q int64, through bool) *slot {
	for p := max(e.acked-8, 1); p <= q; p++ {
		e.at(p).answer = true // what has not come by now will not
	}
	s := e.at(q)
	to := q
	if through {
		to++
	}
	e.confirmed = max(e.confirmed, to)
	if to < e.acked {
		e.rollback(to)
	} else {
		e.acceptThrough(now, to-1, -1)
	}
	e.feed(-1)
	return s
}

// timeout acts on an ok that has not come.
func (e *engine) timeout(now time.Time) {
	e.timeouts++
	e.changed = true
	if e.checks || e.phase == Opening {
		if e.phase == Opening && !e.checks {
			// Nothing of the opening does harm when it is said again.
			e.rewrite(now)
			return
		}
		e.mark(now)
		return
	}
	e.verify(now)
}
