package gcode

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/iotest"
)

// split is the plain way to the lines of a file.
func split(file string) (lines []string) {
	file = strings.TrimPrefix(file, "\xEF\xBB\xBF")
	file = strings.ReplaceAll(file, "\r\n", "\n")
	file = strings.ReplaceAll(file, "\r", "\n")
	if file == "" {
		return nil
	}
	return strings.Split(strings.TrimSuffix(file, "\n"), "\n")
}

func checkLines(t *testing.T, file string, r io.Reader) {
	t.Helper()
	l := NewLines(r)
	want := split(file)
	end := int64(0)
	for i := 0; ; i++ {
		line, err := l.Next()
		if err == io.EOF {
			if i != len(want) {
				t.Fatalf("%d lines, want %d", i, len(want))
			}
			if l.Offset() != int64(len(file)) {
				t.Fatalf("ends at %d of %d bytes", l.Offset(), len(file))
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if i >= len(want) {
			t.Fatalf("more than %d lines: %q", len(want), line)
		}
		w := want[i]
		if l.Cut() != (len(w) > MaxLineBytes) {
			t.Fatalf("line %d of %d bytes: cut %v", i+1, len(w), l.Cut())
		}
		if len(w) > MaxLineBytes {
			w = w[:MaxLineBytes]
		}
		if string(line) != w {
			t.Fatalf("line %d: %q, want %q", i+1, line, w)
		}
		if l.Number() != int64(i+1) || !strings.HasPrefix(file[l.Offset():], w) || l.Offset() < end {
			t.Fatalf("line %d: number %d, offset %d, end of the last %d", i+1, l.Number(), l.Offset(), end)
		}
		end = l.EndOffset()
		if end > int64(len(file)) || end < l.Offset()+int64(len(w)) {
			t.Fatalf("line %d: ends at %d", i+1, end)
		}
	}
}

func TestLines(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	for trial := range 30 {
		var b strings.Builder
		if trial%5 == 0 {
			b.WriteString("\xEF\xBB\xBF")
		}
		for range r.IntN(40) {
			n := r.IntN(30)
			switch r.IntN(12) {
			case 0:
				n = MaxLineBytes + r.IntN(3) - 1
			case 1:
				n = readBytes + r.IntN(7) - 3
			case 2:
				n = r.IntN(2 * readBytes)
			}
			b.WriteString(strings.Repeat("x", n))
			b.WriteString([]string{"\n", "\r\n", "\r", "\n\r", "\r\r\n"}[r.IntN(5)])
		}
		if trial%3 == 0 {
			b.WriteString("G28 without an end")
		}
		file := b.String()
		checkLines(t, file, strings.NewReader(file))
		checkLines(t, file, iotest.DataErrReader(strings.NewReader(file)))
		if len(file) < 3000 {
			checkLines(t, file, iotest.OneByteReader(strings.NewReader(file)))
		}
		checkLines(t, file, iotest.HalfReader(strings.NewReader(file)))
	}
	for _, file := range []string{"", "\n", "\r", "\r\n", "\n\n", "\xEF\xBB\xBF", "a", "a\r", "\xEF\xBB", "\r\n\r\n"} {
		checkLines(t, file, iotest.OneByteReader(strings.NewReader(file)))
	}
}

func TestReaderFails(t *testing.T) {
	broken := errors.New("the disk is gone")
	l := NewLines(io.MultiReader(strings.NewReader("G28\nG1"), iotest.ErrReader(broken)))
	if line, err := l.Next(); string(line) != "G28" || err != nil {
		t.Fatalf("%q %v", line, err)
	}
	if _, err := l.Next(); !errors.Is(err, broken) {
		t.Fatalf("%v", err)
	}
}

// endless is a file of one line that never ends, up to a size.
type endless struct{ left int }

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	n := min(len(p), e.left)
	copy(p, bytes.Repeat([]byte{'x'}, n))
	e.left -= n
	return n, nil
}

func TestHugeLineKeepsLittle(t *testing.T) {
	l := NewLines(&endless{8 << 20})
	line, err := l.Next()
	if err != nil || len(line) != MaxLineBytes || !l.Cut() {
		t.Fatalf("%d bytes, %v", len(line), err)
	}
	if len(l.buf) != readBytes {
		t.Errorf("the buffer grew to %d bytes", len(l.buf))
	}
	if _, err := l.Next(); err != io.EOF || l.Offset() != 8<<20 {
		t.Errorf("%v at %d", err, l.Offset())
	}
}
