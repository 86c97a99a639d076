package link

import (
	"time"
)

// room says whether a line of so many bytes may be sent now.
func (e *engine) room(bytes int) bool {
	lines := e.cursor - e.acked
	if lines == 0 {
		return true
	}
	if e.window == 0 || e.cursor < e.calmAt {
		return false
	}
	most := int64(roomyLines)
	switch {
	case e.emergency:
		most = manyLines
	case e.receipt:
		// Its oks say nothing of the queue, which is full while the planner is:
		// whatever is ahead of the last ok waits in front of an M112.
		most = 1
	}
	return lines < most && e.flight+bytes <= e.window
}

// pump writes what may be written.
func (e *engine) pump(now time.Time) {
	for {
		if e.over() || e.dlg.stage != dNone {
			return
		}
		if e.head-e.fed > ringSize-24 {
			return
		}
		if e.cursor < e.head {
			s := e.at(e.cursor)
			if !e.room(wireLength(e.cursor+e.shift, s.n) + 1) {
				return
			}
			e.resends++
			e.write(now, s)
			continue
		}
		if e.pumpUrgent(now) || e.pumpFence(now) || e.pumpOwn(now) || e.pumpDo(now) {
			continue
		}
		if e.phase == Opening {
			if e.acked == e.head && len(e.own) == 0 {
				e.openNext(now)
				if len(e.own) > 0 {
					continue
				}
			}
			return
		}
		if e.phase == Idle || e.phase == Suspended {
			e.pumpPoll(now)
			return
		}
		if e.phase != Streaming {
			return
		}
		if !e.pumpSource(now) {
			return
		}
	}
}

// pumpUrgent sends what must not wait for room.
func (e *engine) pumpUrgent(now time.Time) bool {
	for i, d := range e.do {
		if d.over || !urgent(d.text) || e.unread(now)+len(d.text)+12 > receiveBytes-2 {
			continue
		}
		e.do = append(e.do[:i], e.do[i+1:]...)
		e.sendDo(now, d)
		return true
	}
	return false
}

// unread is how many bytes on their way may be in the receive buffer. Once the
// line has been quiet, the oldest lines have gone on into the queue, where the
// one that keeps its ok back is too: a firmware that waits for a person with all
// its buffers full can still be answered.
func (e *engine) unread(now time.Time) int {
	n := e.flight
	if e.receipt || now.Sub(e.lastWrite) < patience/2 || now.Sub(e.lastAck) < patience/2 {
		return n
	}
	for q := e.acked; q < min(e.acked+queuedLines, e.cursor); q++ {
		n -= e.at(q).wire
	}
	return n
}

func (e *engine) pumpOwn(now time.Time) bool {
	if len(e.own) == 0 || !e.room(len(e.own[0].text)+16) {
		return false
	}
	o := e.own[0]
	if (o.kind == slotPosition || o.kind == slotFinal) && e.reportsPosition() {
		return false
	}
	e.own = append(e.own[:0], e.own[1:]...)
	e.sendOwn(now, o.kind, o.text)
	return true
}

// reportsPosition says whether a line on its way may print a position of its own accord.
func (e *engine) reportsPosition() bool {
	for q := e.acked; q < e.cursor; q++ {
		i := &e.at(q).info
		if i.letter == 'G' && (i.code == 28 || i.code == 92 || i.code == 29) {
			return true
		}
	}
	return false
}

func (e *engine) asksPosition() bool {
	for q := e.acked; q < e.cursor; q++ {
		if k := e.at(q).kind; k == slotPosition || k == slotFinal {
			return true
		}
	}
	return false
}

func (e *engine) pumpDo(now time.Time) bool {
	for len(e.do) > 0 && e.do[0].over {
		e.do = append(e.do[:0], e.do[1:]...)
	}
	if e.late.do != nil && e.late.do.over {
		e.late = lateDo{}
	}
	if e.receipt && (e.late.do != nil || e.doing()) {
		return false // what is said behind an ok could not be told apart
	}
	if len(e.do) == 0 || e.phase == Opening || !e.room(len(e.do[0].text)+16) {
		return false
	}
	d := e.do[0]
	e.do = append(e.do[:0], e.do[1:]...)
	e.sendDo(now, d)
	return true
}

// doing says that a command of the user is on its way.
func (e *engine) doing() bool {
	for q := e.acked; q < e.cursor; q++ {
		if e.at(q).do != nil {
			return true
		}
	}
	return false
}

func (e *engine) sendDo(now time.Time, d *doRequest) {
	s := e.alloc(slotDo, d.text)
	s.do = d
	e.write(now, s)
}

func (e *engine) sendOwn(now time.Time, kind slotKind, text string) {
	s := e.alloc(kind, nil)
	s.n = copy(s.text[:], text)
	s.info = classify(s.payload())
	e.follow(s)
	if kind == slotSettings {
		e.settingsOn = true
		e.ident.Settings = e.ident.Settings[:0:0]
	}
	e.write(now, s)
}

// alloc takes the next slot at the head.
func (e *engine) alloc(kind slotKind, text []byte) *slot {
	s := e.at(e.head)
	*s = slot{seq: e.head, kind: kind, idx: e.idx, line: e.sentLine}
	if text != nil {
		s.n = copy(s.text[:], text)
		s.info = classify(s.payload())
		e.follow(s)
	}
	e.head++
	return s
}

// follow notes where the command leads.
func (e *engine) follow(s *slot) {
	s.before, s.beforeK = e.track.pos, e.track.known
	e.track.apply(s.payload(), &s.info)
	s.after, s.afterK, s.gen = e.track.pos, e.track.known, e.track.gen
	if s.info.secs > 0 {
		e.recent[e.recentN%len(e.recent)] = s.info.secs
		e.recentN++
		longest := 0.0
		for _, secs := range e.recent {
			longest = max(longest, secs)
		}
		e.longest = time.Duration(longest * float64(time.Second))
	}
}

// write puts the slot at the cursor on the wire.
func (e *engine) write(now time.Time, s *slot) {
	n := len(e.out)
	e.out = appendLine(e.out, e.cursor+e.shift, s.payload())
	s.wire = len(e.out) - n
	s.sentAt = now
	s.times++
	e.flight += s.wire
	e.cursor++
	e.lastWrite = now
	e.bytesOut += int64(s.wire)
	e.streamBytes += int64(s.wire)
	if s.kind == slotSource && s.times == 1 {
		e.sent, e.sentLine = s.idx, s.line
		e.changed = true
	}
}

// raw puts a line on the wire that is no part of the sequence.
func (e *engine) raw(now time.Time, number int64, text string) {
	n := len(e.out)
	e.out = append(e.out, 'N')
	e.out = e.out[:n]
	var buf [maxPayload]byte
	e.out = appendLine(e.out, number, buf[:copy(buf[:], text)])
	e.bytesOut += int64(len(e.out) - n)
	e.lastWrite = now
}

// pumpSource sends the next command of the source, or a line of the link's own
// that is due. It returns false when nothing more may go out now.
func (e *engine) pumpSource(now time.Time) bool {
	if !e.peeked && !e.srcEOF && !e.aborting {
		if !e.fetch(now) {
			return e.phase == Streaming && e.srcEOF
		}
	}
	if e.askAfter {
		if e.acked < e.head {
			return false
		}
		if e.printerPending() {
			e.sendOwn(now, slotMark, e.surestMark())
			return true
		}
		e.askAfter = false
		e.settled = e.head
		e.sendOwn(now, slotPosition, "M114")
		return true
	}
	if e.peeked && !e.aborting {
		p := &e.peek
		if !e.room(wireLength(e.head+e.shift, p.n) + 1) {
			return false
		}
		if e.due(now) {
			return true
		}
		if p.info.letter == 'G' && (p.info.code == 28 || p.info.code == 92) && (e.asksPosition() || e.holds(now)) {
			return false
		}
		e.heldTo = time.Time{}
		s := e.alloc(slotSource, nil)
		s.n = copy(s.text[:], p.payload())
		s.info = p.info
		e.idx++
		s.idx, s.line = e.idx, p.line
		e.follow(s)
		if s.info.letter == 'G' && (s.info.code == 28 || s.info.code == 29 || s.info.code == 92) {
			e.lastPrinter = s.seq
		}
		e.peeked = false
		e.write(now, s)
		if s.info.class == travel && s.info.sync && e.positions {
			e.askAfter = true
		}
		return true
	}
	return e.pumpEnd(now)
}

// holds keeps a command back that prints a position of its own accord while the
// answer to a query may still come behind its ok: it could be taken for it. It
// may be lost, so this has an end.
func (e *engine) holds(now time.Time) bool {
	if !e.receipt || e.unanswered("M114") < 0 {
		return false
	}
	if e.heldTo.IsZero() {
		e.heldTo = now.Add(patience)
	}
	return now.Before(e.heldTo)
}

// due sends a mark, a position query or a temperature query whose time has come.
func (e *engine) due(now time.Time) bool {
	if e.checks && e.o.AuditEvery > 0 && e.auditDue(now) && !e.reportsPosition() && !e.asksPosition() {
		if e.printerPending() {
			if mark := e.surestMark(); !e.marking() && !(e.receipt && e.unanswered(mark) >= 0) {
				e.sendOwn(now, slotMark, mark)
				return true
			}
			return e.pumpPoll(now)
		}
		e.auditAt = now
		e.sendOwn(now, slotPosition, "M114")
		return true
	}
	return e.pumpPoll(now)
}

// Between two audits at layer ends, and what the planner must hold meanwhile: the
// query and its answer take the line for some 10 ms at 115200 baud.
const (
	layerAuditEvery = time.Second
	layerAuditHolds = 100 * time.Millisecond
)

// auditDue says that the position is to be asked for before the next command: it
// was not for a while, or a layer ends here and the planner would not run dry.
func (e *engine) auditDue(now time.Time) bool {
	since := now.Sub(e.auditAt)
	return since >= e.o.AuditEvery || since >= layerAuditEvery && e.endsLayer() && e.backlog(now) >= layerAuditHolds
}

// endsLayer says that the next command goes to another height.
func (e *engine) endsLayer() bool {
	letter, code, rest, ok := head(e.peek.payload())
	return ok && letter == 'G' && code <= 3 && e.track.leavesHeight(rest)
}

// pumpPoll asks for temperatures where they do not come by themselves.
func (e *engine) pumpPoll(now time.Time) bool {
	if e.o.ReportEvery <= 0 || now.Before(e.pollAt) || e.acked < e.cursor && e.phase != Streaming {
		return false
	}
	if e.reporting && now.Sub(e.heatAt) < 3*e.o.ReportEvery+time.Second {
		e.pollAt = now.Add(e.o.ReportEvery)
		return false
	}
	e.pollAt = now.Add(e.o.ReportEvery)
	e.sendOwn(now, slotPoll, "M105")
	return true
}

// pumpFinal repeats the last query where its answer comes behind its ok and may
// be lost. It returns false while the answer is waited for.
func (e *engine) pumpFinal(now time.Time) bool {
	if e.heldTo.IsZero() || e.backlog(now) > 0 || e.busyNow(now) {
		e.heldTo = now.Add(2 * patience)
	}
	if now.Before(e.heldTo) {
		return false
	}
	e.heldTo = time.Time{}
	if e.finalTries++; e.finalTries > 30 {
		e.fail(now, CauseSilent, noAnswer)
		return false
	}
	e.own = append(e.own, ownLine{slotFinal, "M114"})
	return true
}

// pumpEnd runs the end of a stream: empty the planner, ask where it stands.
func (e *engine) pumpEnd(now time.Time) bool {
	if e.acked < e.head {
		return false
	}
	switch e.ending {
	case 0:
		e.supply.pause()
		e.ending = 1
		e.unknownSync = false
		sync := "M400"
		if !e.checks {
			sync = "G4 P1"
		}
		e.own = append(e.own, ownLine{slotSync, sync})
		return true
	case 1:
		if e.printerPending() {
			e.own = append(e.own, ownLine{slotMark, e.surestMark()})
			return true
		}
		e.ending = 2
		e.own = append(e.own, ownLine{slotFinal, "M114"})
		return true
	case 2:
		if e.receipt && e.positions && !e.finalSeen {
			return e.pumpFinal(now) // its ok tells only that the query has arrived
		}
		if e.unknownSync {
			// It does not know M400, and said so: a dwell waits in every family.
			e.unknownSync = false
			e.ending = 1
			e.own = append(e.own, ownLine{slotSync, "G4 P1"})
			return true
		}
	}
	e.confirmed = e.acked
	e.feed(-1)
	e.bound.raise(e.idx)
	e.finished = e.srcEOF && !e.aborting
	e.phase = Idle
	e.src = nil
	e.changed = true
	return false
}
