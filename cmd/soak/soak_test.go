package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"undercroft/cmd/soak/judge"
	"undercroft/fleet/sim"
	"undercroft/gcode"
)

// What the link reads of a generated file is what the judge reads.
func TestFilesAreReadAlike(t *testing.T) {
	for seed := range uint64(20) {
		for _, family := range []sim.Family{sim.FamilyA, sim.FamilyE} {
			text := generate(fileSpec{seed: seed, commands: 300}, family)
			f, err := judge.ReadFile(text)
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for c := gcode.NewCommands(bytes.NewReader(text)); ; n++ {
				if _, _, err := c.Next(); err != nil {
					break
				}
			}
			if n != f.Commands() || n < 250 {
				t.Errorf("seed %d: %d commands, the judge reads %d", seed, n, f.Commands())
			}
			if f.HeightMM(int64(n)) <= 0 {
				t.Errorf("seed %d: no layers", seed)
			}
		}
	}
}

func TestPlansFollowFromTheirSeed(t *testing.T) {
	mixed := map[string]bool{}
	for k := range uint64(500) {
		a, b := planOf(seedOf(1, k), false, nil), planOf(seedOf(1, k), false, nil)
		if fmt.Sprint(a) != fmt.Sprint(b) {
			t.Fatalf("%v\n%v", a, b)
		}
		if _, err := sim.ParseFaults(a.faults.String()); err != nil {
			t.Error(err)
		}
		name, _, _ := strings.Cut(a.mix, " + ")
		mixed[name] = true
	}
	if len(mixed) != len(mixes) {
		t.Errorf("drawn were %v", mixed)
	}
}

// A cable gives every byte once and in order, and ends both ways when it is pulled.
func TestCable(t *testing.T) {
	host, board := cable()
	want := bytes.Repeat([]byte("heron "), 5000)
	go func() {
		host.Write(want)
		host.Close()
	}()
	var got []byte
	buf := make([]byte, 700)
	for {
		n, err := board.Read(buf)
		got = append(got, buf[:n]...)
		if err != nil {
			break
		}
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%d bytes of %d came, or not the same", len(got), len(want))
	}
	if _, err := board.Write(want); err == nil {
		t.Error("a pulled cable took bytes")
	}
}
