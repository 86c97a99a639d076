package link

import (
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
	dRewrite         // the same where numbers are not checked
	dRClear          // then an empty line was sent to end a torn tail; the line goes out again behind its ok
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
	proofs   int // answers to the probe that name the line wanted
	answered bool
	later    int64 // seq that was asked for in the place of want
	verify   bool  // the audit asks whether the one line on its way was run
	astray   bool  // another line than that was refused
	extra    bool  // an ok came beyond that of the refusal: the line may have been run
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
	case dListen, dClear, dVClear, dAudit:
		return true
	case dRewrite, dRClear:
		// The tail of the line may draw an ok of its own: wait until it is quiet.
		e.dlg.extra = e.dlg.extra || e.dlg.stage == dRewrite
		e.enter(now, e.dlg.stage, quietSingle)
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
			e.marked(now)
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

// marked goes on once everything before the wanted line is handled: the query
// that shows it took the number of that line.
func (e *engine) marked(now time.Time) {
	e.shift++
	e.confirmed = max(e.confirmed, e.dlg.want)
	e.lastPrinter = min(e.lastPrinter, e.confirmed-1)
	e.audit(now)
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
	case dRewrite, dRClear:
		e.enter(now, e.dlg.stage, quietSingle)
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
			// Said twice it counts: a query that lost its number on the way is
			// refused with that number too, by firmware that checks sums alone.
			if d.proofs++; d.proofs >= 2 {
				e.checks = true
			}
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
	case dRewrite, dRClear:
		e.enter(now, d.stage, quietSingle)
	case dAuditMark, dAudit, dAuditOK:
		if seq := r.n - e.shift; r.n >= 0 && seq > d.want+1 && seq <= e.cursor {
			// It has lines behind the one wanted: the request was made before they
			// arrived. The query took one number at most. What it says twice counts.
			if d.later == seq {
				d.want, d.later = seq, 0
				e.enter(now, dQuiet, quietSingle)
				return
			}
			d.later = seq
			e.audit(now)
			return
		}
		e.retryAudit(now)
	case dRenumber:
		e.renumber(now)
	case dVDwell:
		e.verifyDwell(now)
	case dNone:
		e.refused(now, r)
	}
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
		if d.proofs == 1 {
			e.probe(now)
			return
		}
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
		if d.extra && e.phase != Opening {
			e.verify(now)
			return
		}
		e.endTorn()
		e.enter(now, dRClear, 250*time.Millisecond)
	case dRClear:
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
