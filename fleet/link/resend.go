package link

import (
	"math"
	"time"
)

// refused starts on a request for a line outside any other conversation.
func (e *engine) refused(now time.Time, r *reply) {
	if !e.checks {
		if e.phase == Opening && r.n-e.shift == e.cursor {
			e.acceptThrough(now, e.cursor-1, -1) // it wants the next one: it has this one
			return
		}
		if e.acked < e.cursor {
			if e.phase != Opening && r.n-e.shift != e.acked {
				// Not the line on its way: one before it may be lost.
				seq := e.acked
				if e.at(seq).kind != slotSource && seq > 1 {
					seq-- // no position shows whether a query was run: the line before it is in question
				}
				e.verifyLine(now, seq)
				e.dlg.astray = seq == e.acked
				return
			}
			e.dlg = dialogue{want: e.acked}
			e.enter(now, dRewrite, quietSingle)
			return
		}
		if e.phase == Streaming || e.phase == Suspended {
			// The line had its ok already: that was for a piece of it, or of the
			// one before.
			e.verifyLine(now, e.cursor-1)
			e.dlg.astray = r.n-e.shift != e.cursor-1
		}
		return
	}
	seq := r.n - e.shift
	if seq == e.cursor && e.cursor == e.head {
		// It has every line and wants the next: the answer to a number far ahead.
		// Its queue has room, then, for one more mark.
		if e.acked < e.cursor && !e.sendMark(now) && e.head-e.fed < ringSize-8 {
			// The answers to all of them may be lost. One that comes now is taken
			// for that to the first of its kind, which is never too much.
			e.sendOwn(now, slotMark, e.surestMark())
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
		if now.Sub(e.heardAt) < 2*time.Second {
			e.fail(now, CauseResends, "after a line was lost, %d queries in a row were refused or not answered: the connection is too poor; check cable, plugs, and what runs beside them", e.dlg.tries)
		} else {
			e.fail(now, CauseSilent, noAnswer)
		}
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

const noAnswer = "the printer does not answer any more: check the cable and its power; if it is still hot, switch it off at the plug"

// verify asks a firmware that does not check numbers whether the one line on
// its way was run: an empty line to end a torn one, a dwell to let the moves
// end, then the position.
func (e *engine) verify(now time.Time) { e.verifyLine(now, e.acked) }

func (e *engine) verifyLine(now time.Time, seq int64) {
	e.unansweredFence()
	e.dlg = dialogue{want: seq, verify: true}
	e.endTorn()
	e.lastWrite = now
	e.enter(now, dVClear, 250*time.Millisecond)
}

// endTorn writes an empty line: what waits in the board of a torn one must not
// eat the head of the next.
func (e *engine) endTorn() {
	e.out = append(e.out, '\n')
	e.bytesOut++
}

func (e *engine) verifyDwell(now time.Time) {
	e.dlg.tries++
	if e.dlg.tries > 6 {
		e.fail(now, CauseSilent, noAnswer)
		return
	}
	e.raw(now, e.dlg.want+e.shift, "G4 P1")
	e.enter(now, dVDwell, e.backlog(now)+3*time.Second)
}
