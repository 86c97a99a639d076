package judge

import (
	"slices"
	"strings"
	"testing"
)

const wing = `; wing, first rib
G28
g90
M83
G1 X10 Y10 Z0.2 F3000
G1 X20 Y10 E0.33 ; along

G1 X20 Y20 E0.34
G1 Z0.4
G1 X10 Y20 E0.35
M117 Rib Two
G1 X10 Y10 E0.36
`

// executed are the commands of wing as a firmware tells them, and where each
// move ends.
var executed = []struct {
	text string
	end  [4]float64
}{
	{"G28", [4]float64{}}, {"G90", [4]float64{}}, {"M83", [4]float64{}},
	{"G1 X10 Y10 Z0.2 F3000", [4]float64{10, 10, 0.2, 0}},
	{"G1 X20 Y10 E0.33", [4]float64{20, 10, 0.2, 0.33}},
	{"G1 X20 Y20 E0.34", [4]float64{20, 20, 0.2, 0.67}},
	{"G1 Z0.4", [4]float64{20, 20, 0.4, 0.67}},
	{"G1 X10 Y20 E0.35", [4]float64{10, 20, 0.4, 1.02}},
	{"M117 Rib Two", [4]float64{}},
	{"G1 X10 Y10 E0.36", [4]float64{10, 10, 0.4, 1.38}},
}

// story is what happened, one word an event: a number executes that command of
// wing, other words are read below.
func play(t *testing.T, story string, c Claim) Verdict {
	t.Helper()
	f, err := ReadFile([]byte(wing))
	if err != nil {
		t.Fatal(err)
	}
	var j Judge
	j.Begin(f)
	n := int64(10)
	for _, word := range strings.Fields(story) {
		n++
		switch word {
		case "own":
			j.Executed(n, []byte("M105"), false, [4]float64{})
		case "undetected": // a damaged line with a checksum that fits
			j.Event(`damage taken for a right line: N77 "G1 X24 Y20 E0.34"`)
			j.Executed(77, []byte("G1 X24 Y20 E0.34"), true, [4]float64{24, 20, 0.2, 0.67})
		case "joined": // a burst took the line end between commands 6 and 7 with it
			j.Event(`damage taken for a right line: N78 "G1 Z0\xff*0 Y20 E0.35"`)
			j.Executed(78, []byte("G1 Z0\xff*0 Y20 E0.35"), true, [4]float64{20, 20, 0, 1.02})
		case "unharmed": // what counts as damaged is whole
			j.Event(`damage taken for a right line: N55 "G1 X20 Y20 E0.34"`)
			j.Executed(55, []byte("G1 X20 Y20 E0.34"), true, [4]float64{20, 20, 0.2, 0.67})
		case "cut": // a damaged line with a checksum that fits, of which nothing is left
			j.Event(`damage taken for a right line: N7 ""`)
		case "headless": // a line that lost its number runs
			j.Event(`a damaged line without its number: "G1 X20 Y20 E0.34"`)
			j.Executed(-1, []byte("G1 X20 Y20 E0.34"), true, [4]float64{20, 20, 0.2, 0.67})
		case "tail": // the rest of a line runs, and does nothing
			j.Event(`a damaged line without its number: "20 E0.34*9"`)
			j.Executed(-1, []byte("20 E0.34"), false, [4]float64{})
		case "stranger":
			j.Executed(n, []byte("G1 X99"), true, [4]float64{99, 0, 0.2, 0})
		default:
			k := int(word[0] - '0')
			e := executed[k]
			j.Executed(n, []byte(e.text), e.text[1] == '1', e.end)
		}
	}
	return j.End(c)
}

func TestVerdicts(t *testing.T) {
	finished := Claim{Sent: 10, Accepted: 10, Done: 10, Finished: true}
	stopped := func(done int64, cause string) Claim { return Claim{Sent: 10, Accepted: 10, Done: done, Cause: cause} }
	for _, c := range []struct {
		name, story string
		claim       Claim
		violation   string // part of it; "" for none
	}{
		{"whole", "0 1 2 3 own 4 5 6 7 8 9", finished, ""},
		{"the end is missing", "0 1 2 3 4 5 6 7 8", finished, "last 1 of 10"},
		{"one left out", "0 1 2 3 4 6 7 8 9", finished, "left out"},
		{"one twice", "0 1 2 3 4 5 5 6 7 8 9", finished, "ran again"},
		{"two swapped", "0 1 2 3 5 4 6 7 8 9", finished, "left out"},
		{"a stranger", "0 1 2 3 stranger 4 5 6 7 8 9", finished, "strangers"},
		{"without its number, once", "0 1 2 3 4 headless 6 7 8 9", finished, ""},
		{"without its number, then again", "0 1 2 3 4 headless 5 6 7 8 9", finished, "ran again"},
		{"a tail without effect", "0 1 2 3 4 tail 5 6 7 8 9", finished, ""},
		{"damage that nothing shows", "0 1 2 3 4 undetected 6 7 8 9", finished, ""},
		{"damage that leaves nothing", "0 1 2 3 4 cut 6 7 8 9", finished, ""},
		{"the same at the end", "0 1 2 3 4 5 6 7 8 cut", finished, ""},
		{"one burst over two lines", "0 1 2 3 4 undetected cut 7 8 9", finished, ""},
		{"one burst over two lines, and one more left out", "0 1 2 3 4 undetected cut 8 9", finished, "left out"},
		{"one burst takes a line end", "0 1 2 3 4 5 joined 8 9", finished, ""},
		{"the same, and one more left out", "0 1 2 3 4 5 joined 9", finished, "left out"},
		{"one accounted for, two left out", "0 1 2 3 4 cut 7 8 9", finished, "left out"},
		{"stopped", "0 1 2 3 4 5 6", stopped(4, "silent"), ""},
		{"stopped without a cause", "0 1 2 3", stopped(2, ""), "no cause"},
		{"more said than done", "0 1 2 3", stopped(5, "silent"), "5 commands were said"},
		{"a height above the truth", "0 1 2 3 4", stopped(6, "silent"), "height of 0.20 mm"},
		{"said to be done behind a gap", "0 1 2 3 4 6 7 8", stopped(7, "desync"), "7 commands were said"},
		{"counts that contradict", "0 1 2", Claim{Sent: 1, Accepted: 2, Done: 1, Cause: "silent"}, "contradict"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := play(t, c.story, c.claim)
			if c.violation == "" && len(v.Violations) > 0 {
				t.Errorf("%q", v.Violations)
			}
			if c.violation != "" && !slices.ContainsFunc(v.Violations, func(s string) bool { return strings.Contains(s, c.violation) }) {
				t.Errorf("no %q in %q", c.violation, v.Violations)
			}
		})
	}
	if v := play(t, "0 1 2 3 4 unharmed 6 7 8 9", finished); v.Replaced != 0 || v.Undetectable != 0 || len(v.Violations) > 0 {
		t.Errorf("damage that leaves the command whole: %+v", v)
	}
	if v := play(t, "0 1 2 3 4 undetected 6 7 8 9", finished); v.Replaced != 1 || v.Undetectable != 1 {
		t.Errorf("undetectable damage: %+v", v.Counts)
	}
}

func TestHeights(t *testing.T) {
	f, err := ReadFile([]byte(wing))
	if err != nil {
		t.Fatal(err)
	}
	if f.Commands() != len(executed) {
		t.Fatalf("%d commands", f.Commands())
	}
	for n, want := range map[int64]float64{0: 0, 5: 0, 6: 0.2, 7: 0.2, 9: 0.2, 10: 0.4} {
		if got := f.HeightMM(n); got != want {
			t.Errorf("after %d commands: %.2f mm, want %.2f", n, got, want)
		}
	}
}

func TestProgressIsHeldAgainstTheTrace(t *testing.T) {
	f, err := ReadFile([]byte(wing))
	if err != nil {
		t.Fatal(err)
	}
	var j Judge
	j.Begin(f)
	j.Executed(1, []byte("G28"), false, [4]float64{})
	j.Progress(Claim{Sent: 3, Accepted: 2, Done: 2})
	for _, e := range executed[1:] {
		j.Executed(1, []byte(e.text), true, e.end)
	}
	v := j.End(Claim{Sent: 10, Accepted: 10, Done: 10, Finished: true})
	if len(v.Violations) != 1 || !strings.Contains(v.Violations[0], "2 commands were said to be done, 1 were") {
		t.Errorf("%q", v.Violations)
	}
}
