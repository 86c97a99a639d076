package link

import (
	"bytes"
	"fmt"
	"io"
	"testing"
	"time"
)

// repeat is a source that never ends soon.
type repeat struct {
	n, max int64
	line   []byte
}

func (r *repeat) Next() ([]byte, int64, error) {
	if r.n >= r.max {
		return nil, 0, io.EOF
	}
	r.n++
	return r.line, r.n, nil
}

// opened is an engine as it stands after the opening, without the conversation.
func opened(now time.Time, checks bool) *engine {
	e := newEngine(Options{ReportEvery: -1, AuditEvery: -1}.withDefaults(), now)
	e.dlg.stage = dNone
	e.checks, e.emergency = checks, true
	e.ready(now)
	return e
}

// BenchmarkEngineLine is the cost of one ok and the line that it lets out.
func BenchmarkEngineLine(b *testing.B) {
	for _, ok := range []string{"ok", "ok N%d P3 B2"} {
		b.Run(ok, func(b *testing.B) {
			now := epoch
			e := opened(now, true)
			if err := e.stream(now, &repeat{max: 1 << 60, line: []byte("G1 X102.345 Y87.654 E0.04321")}); err != nil {
				b.Fatal(err)
			}
			var buf []byte
			n := int64(11)
			b.ReportAllocs()
			for b.Loop() {
				e.out = e.out[:0]
				buf = append(buf[:0], "ok\n"...)
				if len(ok) > 2 {
					buf = appendOK(buf[:0], n)
				}
				n++
				now = now.Add(4 * time.Millisecond)
				e.Receive(now, buf)
				if e.cursor == e.acked {
					b.Fatal("nothing was sent")
				}
			}
		})
	}
}

func appendOK(b []byte, n int64) []byte {
	b = append(b, "ok N"...)
	b = fmt.Append(b, n)
	return append(b, " P3 B2\n"...)
}

// TestEngineAllocatesNothing holds the promise for the path of each line: an ok,
// an advanced ok, a temperature report, a busy line.
func TestEngineAllocatesNothing(t *testing.T) {
	for _, reply := range []string{"ok\n", " T:200.10 /200.00 B:60.01 /60.00 @:77 B@:0\nok\n", "echo:busy: processing\nok\n", "wait\nok\n"} {
		now := epoch
		e := opened(now, true)
		if err := e.stream(now, &repeat{max: 1 << 60, line: []byte("G1 X102.345 Y87.654 E0.04321")}); err != nil {
			t.Fatal(err)
		}
		b := []byte(reply)
		e.Receive(now, b)
		allocs := testing.AllocsPerRun(2000, func() {
			e.out = e.out[:0]
			now = now.Add(4 * time.Millisecond)
			e.Receive(now, b)
			e.Deadline()
		})
		if allocs != 0 {
			t.Errorf("%q: %v allocations a line", reply, allocs)
		}
	}
}

func BenchmarkParseReply(b *testing.B) {
	lines := bytes.Split([]byte("ok\nok N1234 P3 B2\n T:200.10 /200.00 B:60.01 /60.00 @:77 B@:0\nResend: 12\necho:busy: processing"), []byte("\n"))
	b.ReportAllocs()
	for b.Loop() {
		for _, l := range lines {
			parseReply(l)
		}
	}
}
