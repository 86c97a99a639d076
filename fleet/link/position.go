package link

import (
	"bytes"
	"math"
	"time"
)

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
	e.proveSteps(b, pos)
	switch s := e.answered(now, q, false); s.kind {
	case slotPosition, slotFinal, slotMark:
		e.compare(now, s, b, pos, hasE)
	}
}

// consistent says that a report agrees with itself: where it gives steps too, and
// they are the planned ones, damage would show.
func (e *engine) consistent(b []byte, pos [4]float64) bool {
	steps, ok := countedSteps(b)
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

// proveSteps holds the steps per millimetre of the settings against a report that
// gives steps too: two lines that were not damaged in the same way.
func (e *engine) proveSteps(b []byte, pos [4]float64) {
	steps, ok := countedSteps(b)
	if !ok {
		return
	}
	const farMM = 5 // nearer to the origin a wrong value could pass
	for axis := range 3 {
		per := e.track.steps[axis]
		if per > 0 && math.Abs(pos[axis]) >= farMM && math.Abs(steps[axis]-pos[axis]*per) <= per*0.011+1 {
			e.track.proved[axis] = true
		}
	}
}

// countedSteps reads the steps of a report, 'X:… Y:… Z:… E:… Count X:… Y:… Z:…'.
func countedSteps(b []byte) (steps [4]float64, ok bool) {
	i := bytes.Index(b, []byte("Count "))
	if i < 0 {
		return steps, false
	}
	steps, _, ok = readPosition(b[i+6:])
	return steps, ok
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
	if s.kind == slotFinal {
		e.finalSeen = true // answers to other queries may come behind it
	}
	if e.parked {
		return // it stands where it changes its filament, not where it was sent
	}
	agrees := near(s.before, s.beforeK, pos, hasE)
	if !e.consistent(b, pos) && (!agrees || e.discovers(s, hasE)) {
		// The report itself may be damaged: what is said twice counts.
		// By how much it is off is compared, for moves may lie between the two.
		var off [4]float64
		for i := range pos {
			off[i] = pos[i] - s.before[i]
		}
		same := e.askAgain > 0 && near(e.said, allKnown, off, hasE)
		if !same && e.askAgain < 4 {
			e.askAgain++
			e.said = off
			e.repeatQuery(s.kind)
			return
		}
		if !same {
			e.askAgain = 0
			return // unreadable: nothing is learned from it
		}
	}
	e.askAgain = 0
	if !agrees && e.checks && e.track.ends.asked == 0 && e.phase == Streaming {
		// The machine may have stopped a move at its soft ends: ask where they
		// are, twice, for a damaged answer must not set them.
		e.track.ends.asked = 1
		e.own = append(e.own, ownLine{slotLimits, "M211"}, ownLine{slotLimits, "M211"})
		e.repeatQuery(s.kind)
		return
	}
	if !agrees && e.stoppedAtEnds(s, pos, hasE) {
		agrees = true
	}
	if !agrees && (e.phase == Streaming || e.phase == Suspended) {
		e.fail(now, CausePosition, "the firmware stands at X%.2f Y%.2f Z%.2f E%.2f, sent was X%.2f Y%.2f Z%.2f E%.2f: a command was damaged or run twice on the way", pos[0], pos[1], pos[2], pos[3], s.before[0], s.before[1], s.before[2], s.before[3])
		return
	}
	if s.beforeK[0] {
		e.audits++
	}
	e.adopt(s, pos, hasE)
}

// stoppedAtEnds says that the report differs only on axes that were sent beyond
// the soft ends and stopped there. From now on the tracker stops there too.
func (e *engine) stoppedAtEnds(s *slot, pos [4]float64, hasE bool) bool {
	ends := &e.track.ends
	if !ends.known || !ends.on {
		return false
	}
	want := s.before
	for axis := range 3 {
		stop := min(max(want[axis], ends.min[axis]), ends.max[axis])
		if s.beforeK[axis] && stop != want[axis] && math.Abs(stop-pos[axis]) < 0.021 {
			want[axis] = pos[axis]
		}
	}
	if !near(want, s.beforeK, pos, hasE) {
		return false
	}
	for axis := range 3 {
		if want[axis] != s.before[axis] {
			ends.homed[axis] = true
		}
	}
	return true
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
		e.finalSeen = false
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
		e.confirm(want)
		e.resumeFrom(now, want)
	case after && apart && d.astray:
		e.fail(now, CauseDesync, "the firmware refused a line, and %q behind it was run: one command was left out", s.payload())
	case after && apart:
		// It ran, without its number or with its ok lost.
		e.cursor = max(e.cursor, want+1)
		if e.acked <= want {
			e.acceptThrough(now, want, -1)
		} else {
			e.rollback(want + 1)
		}
		e.confirm(want + 1)
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
