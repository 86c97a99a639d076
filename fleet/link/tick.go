package link

import "time"

// Deadline is when Tick must be called next if nothing is received before.
func (e *engine) Deadline() time.Time {
	if e.over() {
		return time.Time{}
	}
	next := e.silentAt()
	if e.dlg.stage != dNone {
		next = earlier(next, e.dlg.until)
	} else if e.acked < e.cursor {
		next = earlier(next, e.timeoutAt())
	}
	if e.phase == Streaming && !e.heldTo.IsZero() && e.dlg.stage == dNone && e.acked == e.cursor {
		next = earlier(next, e.heldTo)
	}
	if e.late.do != nil && e.dlg.stage == dNone {
		next = earlier(next, e.lateDue())
	}
	if (e.phase == Idle || e.phase == Suspended) && e.o.ReportEvery > 0 && e.acked == e.cursor && e.dlg.stage == dNone {
		next = earlier(next, e.pollAt)
	}
	return next
}

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

// Tick does what is due.
func (e *engine) Tick(now time.Time) {
	if e.over() {
		return
	}
	switch {
	case e.dlg.stage != dNone:
		if !now.Before(e.dlg.until) {
			e.dlgExpire(now)
		}
	case e.acked < e.cursor:
		if !now.Before(e.timeoutAt()) {
			if e.checks && e.busyNow(now) {
				e.lastWrite = now // it works on it, and says so
			} else {
				e.timeout(now)
			}
		}
	}
	if !now.Before(e.silentAt()) {
		e.fail(now, CauseSilent, "nothing was heard from the printer for %.0f seconds: check the cable and the printer's power; if it is still hot, switch it off at the plug", now.Sub(e.heardAt).Seconds())
	}
	if !e.over() && e.dlg.stage == dNone {
		e.lateTick(now)
	}
	e.pump(now)
}

// timeoutAt is when a missing ok must be looked into.
func (e *engine) timeoutAt() time.Time {
	since := e.lastAck
	if e.lastWrite.After(since) {
		since = e.lastWrite
	}
	wait := patience + e.longest + e.held()
	for i := 0; i < e.marks && wait < 40*time.Second; i++ {
		wait *= 2
	}
	return since.Add(wait)
}

// held is how much longer the commands on their way may keep their ok back.
func (e *engine) held() time.Duration {
	var d time.Duration
	for q := e.acked; q < e.cursor; q++ {
		i := &e.at(q).info
		switch i.class {
		case dwell:
			d += time.Duration(i.secs * float64(time.Second))
			if !e.checks {
				d += 2 * e.supplyLeft()
			}
		case travel:
			if e.checks {
				d += 5 * time.Second
			} else {
				d += 3 * time.Minute
			}
		case heat, person:
			if e.checks {
				d += 5 * time.Second
			} else {
				d += 30 * time.Minute
			}
		}
	}
	if !e.checks {
		d += time.Second + e.supplyLeft()
	}
	return d
}

// supplyLeft is the estimate of what the planner still held at the last ok.
func (e *engine) supplyLeft() time.Duration { return max(0, e.supply.until.Sub(e.lastAck)) }

// silentAt is when silence means that nobody is there.
func (e *engine) silentAt() time.Time {
	if e.phase == Opening {
		return e.heardAt.Add(e.o.OpenFor + 10*time.Second)
	}
	if e.checks && e.reporting {
		return e.heardAt.Add(silenceReporting + 3*e.o.ReportEvery)
	}
	d := silenceMute + 2*e.supplyLeft() + e.heldSilent()
	return e.heardAt.Add(d)
}

// heldSilent is how long the commands on their way may keep a firmware silent
// that reports nothing while it works on them.
func (e *engine) heldSilent() time.Duration {
	var d time.Duration
	for q := e.acked; q < e.cursor; q++ {
		i := &e.at(q).info
		switch i.class {
		case dwell:
			d += time.Duration(i.secs * float64(time.Second))
		case travel:
			d += 5 * time.Minute
		case heat:
			d += 30 * time.Minute
		case person:
			d += 24 * time.Hour
		}
	}
	return d
}
