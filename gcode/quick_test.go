package gcode

import (
	"bytes"
	"fmt"
	"io"
	"math/bits"
	"math/rand/v2"
	"testing"
)

func TestEightDigits(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for range 30000 {
		var b [8]byte
		for i := range b {
			b[i] = '0' + byte(r.IntN(10))
		}
		n := 1 + r.IntN(8)
		if n < 8 {
			b[n] = " .\n-;X/:\x00\xff\r\x80"[r.IntN(12)]
		}
		want := int64(0)
		for _, c := range b[:n] {
			want = want*10 + int64(c-'0')
		}
		var w uint64
		for i, c := range b {
			w |= uint64(c) << (8 * i)
		}
		w ^= zeros
		d := uint(bits.TrailingZeros64(notDigits(w))) >> 3
		if v := leading(w, d); d != uint(n) || v != want {
			t.Fatalf("%q: %d of %d digits, want %d of %d", b, v, d, want, n)
		}
	}
}

// TestQuickAgrees holds that the quick way reads a line as the grammar does.
func TestQuickAgrees(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	letters := "XYZEFIJRSPxyN;(* MGT"
	took := 0
	buf := make([]byte, 1000, 1000+slackBytes)
	for range 50000 {
		var b bytes.Buffer
		fmt.Fprintf(&b, "G%d", r.IntN(5))
		for range 1 + r.IntN(5) {
			if r.IntN(30) > 0 {
				b.WriteByte(' ')
			}
			b.WriteByte(letters[min(r.IntN(40), r.IntN(len(letters)))%len(letters)])
			switch r.IntN(14) {
			case 0:
				b.WriteString([]string{"", "-", ".", "1e3", "+5", "- 5", "1 2", "123456789.123456789", "00000001", ".5", "5.", "-.5", "0.12345678"}[r.IntN(13)])
			default:
				fmt.Fprintf(&b, "%.*f", r.IntN(7), (r.Float64()-0.3)*500)
			}
		}
		line := b.Bytes()
		// A line in front, since a byte-order mark is looked for there; and others in
		// the buffer once, whose rest lies behind the file's end.
		ends := []string{"\n", "\r\n", "\r"}[r.IntN(3)]
		lines := &Lines{r: bytes.NewReader(append(append([]byte("G28\n"), line...), ends...)), buf: buf}
		copy(lines.buf[len(line)+4+len(ends):cap(lines.buf)], "0123456789-.G X0123456789\n."[r.IntN(3):])
		if _, err := lines.Next(); err != nil {
			t.Fatal(err)
		}
		var quick, plain Parser
		got, ok := lines.NextMotion(&quick)
		if !ok {
			if got, err := lines.Next(); err != nil || !bytes.Equal(got, line) {
				t.Fatalf("%q: after a refusal the next line is %q, %v", line, got, err)
			}
			continue
		}
		took++
		if !bytes.Equal(got, line) || lines.Offset() != 4 || lines.EndOffset() != int64(5+len(line)) || lines.Number() != 2 {
			t.Fatalf("%q: read as line %d, %q, from %d to %d", line, lines.Number(), got, lines.Offset(), lines.EndOffset())
		}
		if _, err := lines.Next(); err != io.EOF {
			t.Fatalf("%q: then %v", line, err)
		}
		plain.Reset(line)
		more, err := plain.Next()
		a, c := &quick.Command, &plain.Command
		same := more && err == nil && a.Letter == c.Letter && a.Number == c.Number && a.Has == c.Has && a.Valued == c.Valued &&
			bytes.Equal(bytes.TrimRight(a.raw, " "), bytes.TrimRight(c.raw, " "))
		for i := range a.Value {
			same = same && (a.Valued&(1<<i) == 0 || a.Value[i] == c.Value[i])
		}
		if more, err := quick.Next(); more || err != nil {
			t.Fatalf("%q: more of it: %v", line, err)
		}
		if again, err := plain.Next(); again || err != nil || !bytes.Equal(quick.Comment, plain.Comment) {
			same = false
		}
		if !same {
			t.Fatalf("%q: %+v, the grammar reads %+v, %v", line, *a, *c, err)
		}
	}
	if took < 1500 {
		t.Errorf("only %d lines were read the quick way", took)
	}
}

// FuzzNextMotion holds that a file reads the same with the quick way and without:
// the same lines at the same places, with the same commands.
func FuzzNextMotion(f *testing.F) {
	seeds(f)
	f.Add([]byte(";\nG1 X1.5 Y-2 E.03 ; wall\r\nG0 X12345678.25 F9000\rG1 X1 \n\nG1 X1 ;\nG3 I-1.25 J5."))
	f.Fuzz(func(t *testing.T, file []byte) {
		// A small buffer, so that lines cross its end.
		one := &Lines{r: bytes.NewReader(file), buf: make([]byte, MaxLineBytes+100, MaxLineBytes+100+slackBytes)}
		two := NewLines(bytes.NewReader(file))
		var quick, plain Parser
		for {
			line, ok := one.NextMotion(&quick)
			var err error
			if !ok {
				line, err = one.Next()
			}
			want, wantErr := two.Next()
			if err != wantErr || !bytes.Equal(line, want) || one.Offset() != two.Offset() || one.Number() != two.Number() ||
				err == nil && one.EndOffset() != two.EndOffset() || one.Cut() != two.Cut() {
				t.Fatalf("line %d at %d is %q, %v; without the quick way line %d at %d, %q, %v",
					one.Number(), one.Offset(), line, err, two.Number(), two.Offset(), want, wantErr)
			}
			if err != nil {
				return
			}
			if !ok {
				continue
			}
			plain.Reset(want)
			more, err := plain.Next()
			a, c := &quick.Command, &plain.Command
			same := more && err == nil && a.Letter == c.Letter && a.Number == c.Number && a.Sub == c.Sub && a.Has == c.Has && a.Valued == c.Valued &&
				a.Text == nil && c.Text == nil && a.column == c.column && bytes.Equal(a.raw, c.raw)
			for i := range a.Value {
				same = same && (a.Valued&(1<<i) == 0 || a.Value[i] == c.Value[i])
			}
			if more, err := plain.Next(); more || err != nil || !bytes.Equal(quick.Comment, plain.Comment) {
				same = false
			}
			if !same {
				t.Fatalf("%q: %+v, the grammar reads %+v, %v", line, *a, *c, err)
			}
		}
	})
}
