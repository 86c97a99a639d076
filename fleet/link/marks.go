package link

import (
	"time"
)

// onWait takes the word that the firmware sends each second while its queue is
// empty: lines that are still on their way then have been lost, or their oks.
func (e *engine) onWait(now time.Time) {
	if e.acked >= e.cursor || e.dlg.stage != dNone || now.Sub(e.lastWrite) < 700*time.Millisecond {
		e.waits = 0
		return
	}
	if e.waits++; e.waits > 1 {
		e.waits = 0
		e.timeout(now)
	}
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

// surestMark is a query whose answer cannot come by itself.
func (e *engine) surestMark() string {
	if e.receipt {
		return "M115" // an 'ok T:' never comes then, and a report is just a report
	}
	return "M105"
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
	if !e.counted(now) {
		return e.at(q)
	}
	for p := max(e.acked-8, 1); p <= q; p++ {
		e.at(p).answer = true // what has not come by now will not
	}
	s := e.at(q)
	to := q
	if through {
		to++
	}
	e.confirmed = max(e.confirmed, to)
	if e.late.do != nil && e.confirmed > e.late.seq {
		e.endLate(nil)
	}
	switch {
	case to < e.acked && e.advanced == 0:
		e.rollback(to)
	case to < e.acked:
		// Its oks name their lines: none was one too many.
	default:
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
