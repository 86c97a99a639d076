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
