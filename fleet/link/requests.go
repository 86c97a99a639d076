package link

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"
)

var (
	// ErrBusy: a stream runs already.
	ErrBusy = errors.New("a stream is running on this link")
	// ErrNotReady: the firmware has not been understood yet, or the link has failed.
	ErrNotReady = errors.New("the link is not ready")
	// ErrClosed: the link was closed.
	ErrClosed = errors.New("the link is closed")
	// ErrUnsendable: the command cannot be sent as it is.
	ErrUnsendable = errors.New("the command cannot be sent")
	// ErrUnconfirmed: the emergency stop was written, the firmware did not confirm it.
	ErrUnconfirmed = errors.New("the firmware did not confirm the emergency stop: switch the printer off at the plug")
)

// FaultError is a Fault as an error.
type FaultError struct{ Fault Fault }

func (f *FaultError) Error() string {
	return fmt.Sprintf("%s: %s", f.Fault.Cause, f.Fault.Text)
}

// stream starts a source.
func (e *engine) stream(now time.Time, src Source) error {
	switch e.phase {
	case Idle:
	case Streaming, Suspended:
		return ErrBusy
	case Closed:
		return ErrClosed
	case Failed:
		return &FaultError{*e.fault}
	default:
		return ErrNotReady
	}
	// What was acknowledged before belongs to no source.
	e.fed, e.tail = e.acked, 0
	e.src, e.srcEOF, e.peeked = src, false, false
	e.idx, e.sent, e.accepted, e.sentLine, e.acceptedLine = 0, 0, 0, 0, 0
	e.bound = bound{}
	e.ending, e.aborting, e.finished, e.askAfter, e.finalSeen = 0, false, false, false, false
	e.supply.starved, e.parked = 0, false
	e.loose, e.fenceLine = 0, 0
	e.streamFrom, e.streamBytes = now, 0
	e.auditAt, e.heldTo, e.finalTries = now, time.Time{}, 0
	e.phase = Streaming
	e.changed = true
	e.pump(now)
	return nil
}

func (e *engine) suspend() {
	if e.phase == Streaming {
		e.phase = Suspended
		e.supply.pause()
		e.changed = true
	}
}

func (e *engine) resume(now time.Time) {
	if e.phase == Suspended {
		e.phase = Streaming
		e.changed = true
		e.pump(now)
	}
}

func (e *engine) abort(now time.Time) {
	if e.phase != Streaming && e.phase != Suspended {
		return
	}
	e.phase = Streaming
	e.aborting = true
	e.changed = true
	e.pump(now)
}

// request queues a command of the user of the link.
func (e *engine) request(now time.Time, text []byte) (*doRequest, error) {
	switch {
	case e.phase == Closed:
		return nil, ErrClosed
	case e.phase == Failed && !e.reachable:
		return nil, &FaultError{*e.fault}
	case len(text) == 0 || len(text) > maxPayload || wireLength(e.head+e.shift+1000, len(text)) > maxLine:
		return nil, fmt.Errorf("%w: it has %d characters, firmware takes %d with number and checksum", ErrUnsendable, len(text), maxLine)
	case reserved(text):
		return nil, fmt.Errorf("%w: %q belongs to the link", ErrUnsendable, text)
	}
	for _, c := range text {
		if c < ' ' || c > '~' || c == '*' || c == ';' {
			return nil, fmt.Errorf("%w: it holds the byte %#02x", ErrUnsendable, c)
		}
	}
	if len(e.do) >= maxDo {
		return nil, fmt.Errorf("%w: %d commands wait already", ErrNotReady, len(e.do))
	}
	d := &doRequest{text: slices.Clone(text), done: make(chan struct{})}
	e.do = append(e.do, d)
	e.pump(now)
	return d, nil
}

// stop puts M112 in front of everything.
func (e *engine) stop(now time.Time) {
	e.out = append(e.out, "\nM112\n"...)
	e.bytesOut += 6
	e.stopAt = now
	e.fail(now, CauseHalted, "emergency stop: M112 was sent; the firmware answers nothing more until it is reset")
}

// portFailed ends the link because its port did.
func (e *engine) portFailed(now time.Time, err error) {
	if errors.Is(err, io.EOF) {
		err = errors.New("the other end is gone")
	}
	e.fail(now, CausePortLost, "the port failed: %v; check the cable and the printer's power", err)
}

func (e *engine) close() {
	if e.phase == Closed {
		return
	}
	e.endRequests(ErrClosed)
	e.phase = Closed
	e.changed = true
}

// state copies what is known.
func (e *engine) state(now time.Time) State {
	s := State{
		Phase: e.phase, Identity: e.ident, Family: e.family, Boots: e.boots,
		Heaters: slices.Clone(e.heat.list[:e.heat.n]), HeatAt: e.heatAt,
		Sent: e.sent, Accepted: min(max(e.accepted, e.bound.done), e.sent), Done: e.bound.done,
		SentLine: e.sentLine, Finished: e.finished,
		HeardAt:   e.heardAt,
		Reachable: !e.over() && e.phase != Opening,
		Window:    e.window, Numbered: e.checks, Audits: e.audits,
		BytesOut: e.bytesOut, BytesIn: e.bytesIn,
		Resends: e.resends, Timeouts: e.timeouts, Starved: e.supply.starved,
	}
	if e.cursor < e.calmAt {
		s.Window = 0
	}
	if e.busyNow(now) {
		s.Busy = e.busy
	}
	s.RTTp50, s.RTTp99 = e.rtt.quantiles()
	if e.o.Baud > 0 && e.phase == Streaming {
		if secs := now.Sub(e.streamFrom).Seconds(); secs > 0 {
			s.LineShare = math.Min(1, float64(e.streamBytes)*10/float64(e.o.Baud)/secs)
		}
	}
	if e.fault != nil {
		f := *e.fault
		s.Fault = &f
	}
	return s
}
