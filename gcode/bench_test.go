package gcode

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestNoAllocationsPerLine(t *testing.T) {
	file := []byte(strings.Repeat("G1 X123.456 Y78.9 E.01234 ; wall\ng1x1y2\nM106 S255\nN1 G28*18\nM117 layer 3\nG1 X1 Y2 E3\n", 2000))
	r := bytes.NewReader(file)
	few := testing.AllocsPerRun(3, func() {
		r.Reset(file)
		c := NewCommands(r)
		for {
			if _, _, err := c.Next(); err != nil {
				if err != io.EOF {
					t.Fatal(err)
				}
				return
			}
		}
	})
	if few > 10 {
		t.Errorf("%g allocations in 12000 lines", few)
	}
}

func BenchmarkCommands(b *testing.B) {
	file := []byte(strings.Repeat("G1 X123.456 Y78.901 E.01234\n", 100000))
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		c := NewCommands(bytes.NewReader(file))
		for {
			if _, _, err := c.Next(); err != nil {
				break
			}
		}
	}
}

func BenchmarkNextMotion(b *testing.B) {
	var file []byte
	r := rand.New(rand.NewPCG(1, 2))
	for range 200000 {
		file = fmt.Appendf(file, "G1 X%.3f Y%.3f E%.5f\n", 20+r.Float64()*180, 20+r.Float64()*180, r.Float64())
	}
	b.SetBytes(int64(len(file)))
	var p Parser
	for b.Loop() {
		l := NewLines(bytes.NewReader(file))
		for {
			if _, ok := l.NextMotion(&p); ok {
				continue
			}
			if _, err := l.Next(); err != nil {
				break
			}
		}
	}
}
