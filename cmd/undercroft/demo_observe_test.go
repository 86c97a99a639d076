package main

import (
	"strings"
	"testing"

	"undercroft/fleet/sim"
)

// TestObserverMatch shows what the demo's check of traces finds, and that it can fail.
func TestObserverMatch(t *testing.T) {
	const file = "G28 ; home\nM105\nG1 X1 E1\nG1 X2 E2\n; nothing\nG1 X3 E3\n"
	cases := []struct {
		name     string
		executed string
		commands int
		topMM    float64
	}{
		{"line for line, with the host's questions between", "M110 N0|M105|G28|G1 X1 E1|M114|G1 X2 E2|M105|G1 X3 E3|M104 S0", 4, 0.3},
		{"a line twice", "G28|G1 X1 E1|G1 X1 E1|G1 X2 E2|G1 X3 E3", 2, 0.1},
		{"a line lost", "G28|G1 X1 E1|G1 X3 E3", 2, 0.1},
		{"lines swapped", "G28|G1 X2 E2|G1 X1 E1|G1 X3 E3", 1, 0},
		{"stopped", "G28|G1 X1 E1|G1 X2 E2|M104 S0", 3, 0.2},
		{"something else", "M84|M107", 0, 0},
	}
	for _, c := range cases {
		o := &observer{}
		e := 0.0
		for i, text := range strings.Split(c.executed, "|") {
			x := sim.Executed{Number: int64(i), Text: []byte(text), Move: strings.HasPrefix(text, "G1")}
			if x.Move {
				e++
				x.End = [4]float64{0, 0, float64(text[4]-'0') / 10, e}
			}
			o.execute(x)
		}
		commands, err := fileCommands(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		n, topMM := o.match(commands)
		if n != c.commands || topMM != c.topMM {
			t.Errorf("%s: %d commands up to %g mm, want %d up to %g mm", c.name, n, topMM, c.commands, c.topMM)
		}
	}
}
