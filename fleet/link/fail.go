package link

import (
	"fmt"
	"time"
)

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
	e.endLate(err)
}
