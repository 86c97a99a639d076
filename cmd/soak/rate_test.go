package main

import (
	"io"
	"math"
	"testing"
)

// The sum of a line of the RepRap wiki's page on G-code: N3 T0*57.
func TestCheckedLine(t *testing.T) {
	if got := string(checked(3, "T0")); got != "N3 T0*57" {
		t.Errorf("%q", got)
	}
	if line := checked(sampleNumber, samplePayload); !taken(line, sampleNumber) || taken(line, sampleNumber+1) || taken(line[:len(line)-1], sampleNumber) {
		t.Error("what is taken")
	}
}

// Every pair of bits of a line, one after the other, against the formula; and no
// single bit slips through.
func TestTwoFlipsComputed(t *testing.T) {
	for number, payload := range map[int]string{123456: samplePayload, 7: "M105", 99: "G1 X1 E0.5"} {
		line := checked(number, payload)
		pairs, slipped := 0, 0
		for i := range line {
			for a := range 8 {
				line[i] ^= 1 << a
				if taken(line, number) {
					t.Errorf("%q is taken", line)
				}
				for j := i + 1; j < len(line); j++ {
					for b := range 8 {
						line[j] ^= 1 << b
						pairs++
						if taken(line, number) {
							slipped++
						}
						line[j] ^= 1 << b
					}
				}
				line[i] ^= 1 << a
			}
		}
		if got, want := twoFlips(line, number), float64(slipped)/float64(pairs); math.Abs(got-want) > 1e-9 {
			t.Errorf("%q: computed %g, all pairs give %g", line, got, want)
		}
	}
	if err := (&rateCmd{Lines: 1000, Seed: 1}).write(io.Discard); err != nil {
		t.Error(err)
	}
}
