package sim

import (
	"fmt"
	"io"
	"strconv"
	"time"
	"unicode/utf8"
)

// The trace: one line a command that the firmware executed, in the order in
// which the commands were given:
//
//	12.345678 N17 G1 X10 Y10 E0.5
//	12.345678 - M105
//
// Virtual seconds since the start of the process; the line number, `-` when the
// line bore none; the command without number and checksum. A move stands there
// once its last step is done, with that time: a move that was acknowledged and
// then lost to a reset, a halt or a quick stop never does. Any other command
// bears the time at which its handler ended, and is written when the moves given
// before it are done, so its time may be earlier than that of the line above.
// What stands in the trace is what the machine did: the truth for heights.
//
// A line that starts with `# ` is an event: virtual seconds, then words (boot,
// reset, halt, target, runout, overflow, unplug, replug, a fault). An option
// ends the trace with `# end` and the state at the end.

// traceFlush is how long a trace line may wait for its write, in real time.
const traceFlush = 100 * time.Millisecond

// told is a command that was accepted and whose line is not written yet.
type told struct {
	at     vt
	number int64
	text   []byte
	move   bool
	done   bool
	end    [4]float64
}

// tracer keeps the order of the commands: the ring holds what waits behind a
// move that is not done.
type tracer struct {
	w       io.Writer
	call    func(Executed)
	event   func(time.Duration, string)
	buf     []byte
	dirty   time.Time // when the oldest byte in buf was put there
	err     error
	ring    []told
	head, n int
	first   int64 // sequence number of ring[head]
}

// add takes a command and gives it a sequence number.
func (t *tracer) add(number int64, text []byte, move, done bool, at vt, end [4]float64) int64 {
	if t.n == len(t.ring) {
		grown := make([]told, max(32, 2*len(t.ring)))
		for i := range t.n {
			grown[i] = t.ring[(t.head+i)%len(t.ring)]
		}
		t.ring, t.head = grown, 0
	}
	e := &t.ring[(t.head+t.n)%len(t.ring)]
	e.at, e.number, e.move, e.done, e.end = at, number, move, done, end
	e.text = append(e.text[:0], text...)
	t.n++
	seq := t.first + int64(t.n) - 1
	if done && t.n == 1 {
		t.release()
	}
	return seq
}

// finish marks a command as executed.
func (t *tracer) finish(seq int64, at vt, end [4]float64) {
	i := seq - t.first
	if i < 0 || i >= int64(t.n) {
		return
	}
	e := &t.ring[(t.head+int(i))%len(t.ring)]
	e.done, e.at, e.end = true, at, end
	if i == 0 {
		t.release()
	}
}

// lose drops every move that is not done; what was executed behind it stays.
// The command with the number keep is still in hand and stays too; it is the
// newest.
func (t *tracer) lose(keep int64) {
	for t.n > 0 && t.first != keep {
		e := &t.ring[t.head]
		if e.done {
			t.write(e)
		}
		t.pop()
	}
}

// nothing is no command: lose keeps none.
const nothing = int64(-1)

func (t *tracer) release() {
	for t.n > 0 && t.ring[t.head].done {
		t.write(&t.ring[t.head])
		t.pop()
	}
}

func (t *tracer) pop() {
	t.head = (t.head + 1) % len(t.ring)
	t.n--
	t.first++
}

func (t *tracer) write(e *told) {
	if t.call != nil {
		t.call(Executed{At: e.at, Number: e.number, Text: e.text, Move: e.move, End: e.end})
	}
	if t.w == nil {
		return
	}
	t.mark()
	t.buf = appendSeconds(t.buf, e.at)
	if e.number >= 0 {
		t.buf = append(t.buf, " N"...)
		t.buf = strconv.AppendInt(t.buf, e.number, 10)
		t.buf = append(t.buf, ' ')
	} else {
		t.buf = append(t.buf, " - "...)
	}
	t.buf = appendText(t.buf, e.text)
	t.buf = append(t.buf, '\n')
	if len(t.buf) > 1<<16 {
		t.flush()
	}
}

// note writes an event line at once.
func (t *tracer) note(at vt, text string) {
	if t.event != nil {
		t.event(at, text)
	}
	if t.w == nil {
		return
	}
	t.mark()
	t.buf = append(t.buf, "# "...)
	t.buf = appendSeconds(t.buf, at)
	t.buf = append(t.buf, ' ')
	t.buf = append(t.buf, text...)
	t.buf = append(t.buf, '\n')
}

func (t *tracer) mark() {
	if len(t.buf) == 0 {
		t.dirty = time.Now()
	}
}

func (t *tracer) flush() {
	if t.w != nil && len(t.buf) > 0 && t.err == nil {
		_, t.err = t.w.Write(t.buf)
	}
	t.buf = t.buf[:0]
}

// appendText writes a command as it is, unless damage left bytes in it that are
// no text: those stand as \xNN, so that the trace stays readable by lines.
func appendText(b, text []byte) []byte {
	clean := utf8.Valid(text)
	for _, c := range text {
		clean = clean && c >= ' ' && c != 0x7f
	}
	if clean {
		return append(b, text...)
	}
	for _, c := range text {
		if c >= ' ' && c < 0x7f {
			b = append(b, c)
		} else {
			b = fmt.Appendf(b, `\x%02X`, c)
		}
	}
	return b
}

// appendSeconds writes d with six places.
func appendSeconds(b []byte, d vt) []byte {
	us := int64(d / time.Microsecond)
	b = strconv.AppendInt(b, us/1e6, 10)
	b = append(b, '.')
	f := us % 1e6
	for p := int64(1e5); p > 1 && f < p; p /= 10 {
		b = append(b, '0')
	}
	return strconv.AppendInt(b, f, 10)
}
