package link

import (
	"time"
)

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
		e.missing(now)
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
			e.receipt = r.free < 0
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
		e.missing(now)
	case e.advanced >= 2:
		if e.acked < e.cursor && e.at(e.acked).kind != slotSource {
			e.plainOK(now) // some answer queries with a bare one
			return
		}
		// It belongs to a refused line whose Resend was lost.
		e.surplus++
		e.missing(now)
	default:
		e.plainOK(now)
	}
}

// missing follows an ok that shows that the one line on its way did not get
// through as itself: a mark behind it draws the request for it at once.
func (e *engine) missing(now time.Time) {
	if e.checks && e.dlg.stage == dNone && e.cursor-e.acked == 1 {
		e.mark(now)
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
		e.loose++
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
		e.loose++
		return
	}
	e.acceptThrough(now, e.acked, -1)
}

// asksReport says that the line draws a position report, as this firmware has
// shown before.
func (e *engine) asksReport(s *slot) bool {
	return s.kind == slotFence || e.positions && (s.kind == slotPosition || s.kind == slotFinal || s.kind == slotMark && string(s.payload()) == "M114")
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
		e.completed(now, s)
	}
	e.lastAck, e.marks, e.changed = now, 0, true
	e.timeoutsReset()
	e.feed(free)
}

func (e *engine) timeoutsReset() { e.sameWant = 0; e.badWant = 0 }

// feed gives the lower bound what is handled for certain. An ok that names its
// line, or the answer to a mark behind it, says so. A plain ok may be early
// (some families send it on receipt) or one too many: then the queue and the
// receive buffer are held back too, or all since the newest fence.
func (e *engine) feed(free int) {
	for e.fed < e.acked {
		s := e.at(e.fed)
		sure := e.fed < e.confirmed
		if !sure && (e.fenced() || e.acked-e.fed <= queuedLines || e.tail-s.wire < receiveBytes) {
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
func (e *engine) completed(now time.Time, s *slot) {
	switch s.kind {
	case slotDo:
		if e.receipt && s.do != nil && e.late.do == nil && !urgent(s.payload()) {
			e.awaitLate(now, s)
		} else if s.do != nil && !s.do.over {
			s.do.over = true
			close(s.do.done)
		}
		s.do = nil
	case slotSettings:
		e.settingsOn = e.receipt // they come behind the ok then
	}
}
