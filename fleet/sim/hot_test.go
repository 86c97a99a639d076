package sim

import (
	"bytes"
	"fmt"
	"io"
	"testing"
	"time"
)

// loopLine is a line without a host: bytes go in by hand, answers are counted.
type loopLine struct {
	*reader
	sent int
}

func (l *loopLine) send(p []byte) int         { l.sent += len(p); return len(p) }
func (l *loopLine) writable() <-chan struct{} { return nil }
func (l *loopLine) opened() <-chan struct{}   { return nil }
func (l *loopLine) noticed()                  {}
func (l *loopLine) realTime() bool            { return false }
func (l *loopLine) close()                    {}

// hotBoard is a booted board that is driven by hand.
func hotBoard(o Options) (*board, *loopLine) {
	o.Pace = 1e7
	o.Trace = io.Discard
	o.VolumeMM, o.AmbientC, o.MaxC, o.Limits = [3]float64{200, 200, 200}, 22, [2]float64{260, 140}, DefaultLimits
	b := newBoard(o)
	l := &loopLine{reader: newReader(4, 512)}
	b.plug(l)
	b.boot()
	b.coldOK = true
	return b, l
}

// feed puts text on the line and runs the board until it has answered it.
func feed(b *board, l *loopLine, text []byte) {
	buf := <-l.free
	l.in <- arrival{buf[:copy(buf[:cap(buf)], text)], time.Now()}
	b.fetch()
	for b.chunk != nil || b.rxN > 0 || b.qN > 0 {
		b.serveOne()
	}
}

func TestNoAllocationPerLine(t *testing.T) {
	for _, o := range []Options{{Family: FamilyA}, {Family: FamilyA, AllOptions: true}, {Family: FamilyD}, {Family: FamilyE}} {
		b, l := hotBoard(o)
		var lines [64][]byte
		n := 0
		more := func() {
			for i := range lines {
				n++
				lines[i] = append(lines[i][:0], numbered(n, fmt.Sprintf("G1 X%d.%d Y%d E%d.02", n%90, n%10, n%70, n))+"\n"...)
			}
		}
		for range 20 {
			more()
			for _, s := range lines {
				feed(b, l, s)
			}
		}
		more()
		i := 0
		got := testing.AllocsPerRun(50, func() {
			feed(b, l, lines[i])
			i++
		})
		if got != 0 {
			t.Errorf("%s: %v allocations a line", o.Family, got)
		}
	}
}

// Whatever comes in, the intake neither fails nor keeps more than it may, and
// never takes a numbered line whose checksum is wrong.
func FuzzIntake(f *testing.F) {
	f.Add([]byte("N1 G1 X1*120\nN2 M112*33\n\r\n;\n"), byte(0))
	f.Add([]byte("N1 M110 N5*124\nN6 G28*21\nN6 G28*21\nN9 G28*26\n"), byte(1))
	f.Add([]byte("   N1 M118 x ; y*1\n*\nN\nN*\nN-1*9999999999999999999999\n"), byte(2))
	f.Add([]byte("M118 \x00\xff*1\n(x)\n%\n"), byte(3))
	f.Fuzz(func(t *testing.T, text []byte, which byte) {
		family := []Family{FamilyA, FamilyB, FamilyC, FamilyD}[which%4]
		b, l := hotBoard(Options{Family: family, AllOptions: family == FamilyA && which > 127})
		for len(text) > 0 && b.end == running {
			n := min(len(text), 512)
			buf := <-l.free
			l.in <- arrival{buf[:copy(buf[:cap(buf)], text[:n])], b.clk.start}
			text = text[n:]
			b.fetch()
			for b.end == running && (b.chunk != nil || b.rxN > 0) {
				before := b.lastN
				b.intake()
				for ; b.qN > 0; b.qN-- {
					s := &b.q[b.qHead]
					b.qHead = (b.qHead + 1) % queueLines
					if s.n > lineBytes {
						t.Fatalf("a line of %d bytes", s.n)
					}
					if s.number >= 0 && b.m.repeats != repeatSilent && s.number <= before && !bytes.Contains(s.text[:s.n], []byte("M110")) {
						t.Fatalf("line %d again behind %d", s.number, before)
					}
					before = max(before, s.number)
				}
				if len(b.part) > lineBytes || len(b.tx) > txBytes {
					t.Fatalf("%d bytes of a line, %d to send", len(b.part), len(b.tx))
				}
			}
		}
	})
}

// BenchmarkBoard is the firmware alone: a line in, its move done, its answer out.
func BenchmarkBoard(b *testing.B) {
	bd, l := hotBoard(Options{Family: FamilyA})
	var lines [10000][]byte
	for i := range lines {
		n := i + 1
		lines[i] = []byte(numbered(n, fmt.Sprintf("G1 X%d.%d Y%d E%d.02", n%90, n%10, n%70, n)) + "\n")
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if i == len(lines) {
			i, bd.lastN = 0, 0
		}
		feed(bd, l, lines[i])
		i++
	}
}
