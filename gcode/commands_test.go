package gcode

import (
	"errors"
	"io"
	"strings"
	"testing"
)

func commandsOf(t *testing.T, file string) ([]string, error) {
	t.Helper()
	c := NewCommands(strings.NewReader(file))
	var out []string
	for {
		text, _, err := c.Next()
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		out = append(out, string(text))
	}
}

func TestCommands(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain", "G1 X1 Y2 E0.5 F1800\n", "G1 X1 Y2 E0.5 F1800"},
		{"no blanks, lower case", "g1x1y2e.5f1800", "G1 X1 Y2 E.5 F1800"},
		// NIST RS274/NGC section 3.3.2.1: the same as g0 x+0.1234 y7.
		{"blanks inside a number", "g0x +0. 12 34y 7", "G0 X+0.1234 Y7"},
		{"any order", "X10 F600 G1 Y5", "G1 X10 F600 Y5"},
		{"comments", "G1 X1 ; right\n(all) G1 (mid) X2\n;G28\n\n", "G1 X1|G1 X2"},
		{"comment in a comment", "G1 (a (b) c) X1\n(()", "G1 X1"},
		{"comment of text that looks like commands", "; G1 X1 M104 S200 *55 (\nG28", "G28"},
		{"CRLF, CR and mixed", "G28\r\nG1 X1\rG1 X2\n\rG1 X3", "G28|G1 X1|G1 X2|G1 X3"},
		{"byte-order mark", "\xEF\xBB\xBFG28", "G28"},
		{"numbers and sums", "N3 T0*57\nN4 G92 E0*67\n", "T0|G92 E0"},
		{"several settings", "G90 G21 M83", "G90|G21|M83"},
		{"setting and motion", "G91 G1 Z2 F600", "G91|G1 Z2 F600"},
		{"modal motion", "G1 X1\nX2 Y3\nY4", "G1 X1|G1 X2 Y3|G1 Y4"},
		{"message", "M117 Layer 3 of 9; a heron\nm118 Hello", "M117 Layer 3 of 9|M118 Hello"},
		{"file name keeps its case", "M23 heron-Foot.gco", "M23 heron-Foot.gco"},
		{"decimal code", "G29.1 Z5", "G29.1 Z5"},
		{"letters without numbers", "M84 X Y E", "M84 X Y E"},
		{"named command", "START_PRINT BED=60 NOZZLE=215", "START_PRINT BED=60 NOZZLE=215"},
		{"named command with a text", `RESPOND TYPE=echo MSG="the heron's left wing" ; now`, `RESPOND TYPE=echo MSG="the heron's left wing"`},
		{"named command with a text in single marks", `RESPOND MSG='left wing'`, `RESPOND MSG='left wing'`},
		{"named command that begins with an underscore", "_PARK_LOW\n_RAISE Z=5", "_PARK_LOW|_RAISE Z=5"},
		{"named command with a name of several words", "BEGIN_OBJECT NAME=left wing 2", "BEGIN_OBJECT NAME=left wing 2"},
		{"object", "M486 S0\nM486 S1 ALeft wing\nm486 s-1", "M486 S0|M486 S1 ALeft wing|M486 S-1"},
		{"a firmware's own words", "M1002 claim : 2", "M1002 claim : 2"},
		{"quoted", `M862.3 P"my printer; two"`, `M862.3 P"my printer; two"`},
		{"quoted behind a blank", `M862.3 P "my printer; two" S1`, `M862.3 P"my printer; two" S1`},
		{"line number command", "M110 N0\nG28", "G28"},
		{"percent", "%\nG28\n%\n", "G28"},
		{"a long command with a point", `G0.A"` + strings.Repeat("0", 74) + `"`, `G0A"` + strings.Repeat("0", 74) + `"`},
		{"a long command with decimals", `G029.10 A"` + strings.Repeat("0", 70) + `"`, `G29.10A"` + strings.Repeat("0", 70) + `"`},
		{"long numbers", "G1 X100.000000000000000000000 Y+00100.500000000000000000000 E000.123456789000000000", "G1X100Y100.5E.123456789"},
	} {
		got, err := commandsOf(t, c.in)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		if s := strings.Join(got, "|"); s != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, s, c.want)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		in     string
		err    error
		line   int64
		column int
	}{
		{"G28\nG1 X-", ErrNumber, 2, 5},
		{"G1 X.", ErrNumber, 1, 5},
		{"G1 X1 X2", ErrTwice, 1, 7},
		{"N3 T0*58", ErrChecksum, 1, 6},
		{"G1 X1 G90", ErrAmbiguous, 1, 7},
		{"G28 Z G1 Z5", ErrAmbiguous, 1, 7},
		{"G28\n\nhello there", ErrTwice, 3, 4},
		{"X5", ErrNoCommand, 1, 1},
		{"M117 M110", ErrLineNumber, 1, 1},
		{"M117 " + strings.Repeat("x", 100), ErrTooLong, 1, 1},
		{"G1 X=5", ErrCharacter, 1, 5},
		{"M104 S[first_layer_c]", ErrCharacter, 1, 7},
		{"{if z > 3}", ErrCharacter, 1, 1},
		{"hello_there heron", ErrTwice, 1, 4},
	} {
		_, err := commandsOf(t, c.in)
		var e *SyntaxError
		if !errors.As(err, &e) {
			t.Errorf("%q: %v", c.in, err)
			continue
		}
		if !errors.Is(err, c.err) || e.Line != c.line || e.Column != c.column {
			t.Errorf("%q: %v at %d:%d, want %v at %d:%d", c.in, e.Err, e.Line, e.Column, c.err, c.line, c.column)
		}
	}
}
