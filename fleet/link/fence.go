package link

import "time"

// Firmware that does not look at line numbers answers one line at a time, and
// its bare oks are all there is to count. A piece of a torn line can draw an ok
// of its own; from then on every ok is taken for the line behind its own, and a
// line that was lost looks like one that was handled. So there a count is
// believed only up to a fence: a query with an answer of its own. An ok that
// comes before that answer is one too many, and then nothing since the fence
// before is known to have been handled.
const fenceLines = 48 // at most between two fences; less than the ring holds

// fence is the query that firmware without line numbers can be counted by, ""
// where it has none.
func (e *engine) fence() string {
	switch {
	case e.checks:
		return ""
	case e.positions:
		return "M114"
	case e.named:
		return "M115"
	}
	return ""
}

// fenced says that lines count as handled only up to the newest fence.
func (e *engine) fenced() bool {
	return (e.phase == Streaming || e.phase == Suspended) && e.fence() != ""
}

// pumpFence sends a fence when one is due.
func (e *engine) pumpFence(now time.Time) bool {
	if !e.fenced() || e.acked < e.head || e.head == e.confirmed+1 {
		return false // the newest line was a fence itself
	}
	if e.head-e.confirmed < fenceLines && (e.o.AuditEvery <= 0 || now.Sub(e.auditAt) < e.o.AuditEvery) {
		return false
	}
	e.auditAt = now
	e.sendOwn(now, slotFence, e.fence())
	return true
}

// counted is called when the answer to a fence, or to another query like it, has
// come. It returns false when the oks before it were too many.
func (e *engine) counted(now time.Time) bool {
	if !e.fenced() {
		return true
	}
	if e.loose > 0 {
		e.fail(now, CauseDesync, "the firmware acknowledged more lines than it was sent, and it does not look at line numbers: one may have been left out since line %d of the file", e.fenceLine)
		return false
	}
	e.fenceLine = e.acceptedLine
	return true
}

// unansweredFence forgives one ok: that of a query whose answer was lost.
func (e *engine) unansweredFence() {
	if e.acked < e.cursor && e.loose > 0 && e.asksReport(e.at(e.acked)) {
		e.loose--
	}
}

// confirm notes that a position has shown every line before seq to be handled:
// where only oks are counted, so far as there was none too many.
func (e *engine) confirm(seq int64) {
	if !e.fenced() || e.loose == 0 {
		e.confirmed = max(e.confirmed, seq)
	}
}
