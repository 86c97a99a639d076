package link

import (
	"bytes"
	"errors"
	"time"
)

// ErrUnanswered: the command was taken, but what it answers did not come.
var ErrUnanswered = errors.New("the printer took the command but does not answer it")

// lateEvery and lateTries bound how long an answer is waited for that comes
// after the ok, while the firmware does not say that it is busy.
const (
	lateEvery = 10 * time.Second
	lateTries = 3
)

// lateDo is the command of the user whose answer is awaited behind its ok, as
// in firmware that acknowledges on receipt. A query sent behind it ends it: what
// that one says can only come when the command was handled.
type lateDo struct {
	do    *doRequest
	seq   int64
	at    time.Time // when the query behind it was last sent
	tries int
}

// awaitLate takes a command whose ok came on receipt.
func (e *engine) awaitLate(now time.Time, s *slot) {
	e.late = lateDo{do: s.do, seq: s.seq, at: now}
	e.own = append(e.own, ownLine{slotMark, e.surestMark()})
}

func (e *engine) endLate(err error) {
	d := e.late.do
	e.late = lateDo{}
	if d != nil && !d.over {
		d.over, d.err = true, err
		close(d.done)
	}
}

// lateDue is when the query must be repeated, for it or its answer may be lost.
func (e *engine) lateDue() time.Time { return e.late.at.Add(lateEvery) }

func (e *engine) lateTick(now time.Time) {
	if e.late.do == nil || now.Before(e.lateDue()) {
		return
	}
	e.late.at = now
	if e.busyNow(now) || e.backlog(now) > 0 {
		return
	}
	if e.late.tries++; e.late.tries > lateTries {
		e.endLate(ErrUnanswered)
		return
	}
	e.own = append(e.own, ownLine{slotMark, e.surestMark()})
}

// collectLate gives a line to the command that is being answered, unless it
// answers a query of the link's own.
func (e *engine) collectLate(r *reply) bool {
	d := e.late.do
	if d == nil || d.over {
		return false
	}
	answer := e.at(e.late.seq).answer // the report that the command asks for
	switch {
	case r.pos:
		if !answer || !bytes.HasPrefix(d.text, []byte("M114")) {
			return false
		}
	case hasFold(r.text, "firmware_name:"):
		if !answer || !bytes.HasPrefix(d.text, []byte("M115")) {
			return false
		}
	case r.kind == replyCap:
		if len(d.lines) == 0 || !bytes.HasPrefix(d.text, []byte("M115")) {
			return false
		}
	}
	d.add(r.text)
	return true
}

// add keeps a line of the answer.
func (d *doRequest) add(text []byte) {
	if len(d.lines) < 400 && d.bytes < 64<<10 {
		d.lines = append(d.lines, string(text))
		d.bytes += len(text)
	}
}
