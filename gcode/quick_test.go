package gcode

import (
	"bytes"
	"fmt"
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
		n := r.IntN(9)
		if n < 8 {
			b[n] = " .\n-;X/:\x00\xff\r\x80"[r.IntN(12)]
		}
		want := uint64(0)
		for _, c := range b[:n] {
			want = want*10 + uint64(c-'0')
		}
		var w uint64
		for i, c := range b {
			w |= uint64(c) << (8 * i)
		}
		w ^= zeros
		d := bits.TrailingZeros64(notDigits(w)) >> 3
		if v := leading(w, d); d != n || v != want {
			t.Fatalf("%q: %d of %d digits, want %d of %d", b, v, d, want, n)
		}
	}
}

// TestQuickAgrees holds that the quick way reads a line as the grammar does.
func TestQuickAgrees(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	letters := "XYZEFIJRSPxyN;(* MGT"
	took := 0
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
		padded := append(bytes.Clone(line), "0123456789-.G X0123456789-."[r.IntN(3):][:slackBytes]...)[:len(line)]
		var quick, plain Parser
		quick.Reset(padded)
		if quick.quick() {
			took++
		} else {
			continue
		}
		plain.Reset(line[:len(line):len(line)]) // no room behind it: the grammar reads it
		more, err := plain.Next()
		a, c := &quick.Command, &plain.Command
		same := more && err == nil && a.Letter == c.Letter && a.Number == c.Number && a.Has == c.Has && a.Valued == c.Valued &&
			bytes.Equal(bytes.TrimRight(a.raw, " "), bytes.TrimRight(c.raw, " "))
		for i := range a.Value {
			same = same && (a.Valued&(1<<i) == 0 || a.Value[i] == c.Value[i])
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
