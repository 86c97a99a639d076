package fleet

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"undercroft/fleet/link"
)

// For any file, any layers and any count of executed commands: a layer is
// complete exactly when every command on a line up to its last is executed, as
// far as the source was read past it.
func TestLayersByCommands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var text strings.Builder
		var lineOf []int64 // of each command
		lines := rapid.IntRange(1, 80).Draw(t, "lines")
		for n := range lines {
			switch rapid.IntRange(0, 4).Draw(t, "line") {
			case 0:
				fmt.Fprintln(&text, "; a remark")
			case 1:
				fmt.Fprintln(&text)
			case 2:
				fmt.Fprintln(&text, "G90 M83") // two commands
				lineOf = append(lineOf, int64(n+1), int64(n+1))
			default:
				fmt.Fprintf(&text, "G1 X%d E0.1 F3000\n", n)
				lineOf = append(lineOf, int64(n+1))
			}
		}
		var layers []Layer
		end := int64(0)
		for range rapid.IntRange(0, 12).Draw(t, "layers") {
			end += int64(rapid.IntRange(0, 15).Draw(t, "thick"))
			if end > int64(lines) {
				break
			}
			layers = append(layers, Layer{EndLine: end})
		}
		s := newSource(strings.NewReader(text.String()), layers, nil)
		var st link.State
		read := 0
		check := func() {
			st.Sent = int64(read)
			st.Done = int64(rapid.IntRange(0, read).Draw(t, "done"))
			r := s.at(&st)
			want := 0
			for want < len(layers) {
				need := 0
				for _, l := range lineOf {
					if l <= layers[want].EndLine {
						need++
					}
				}
				past := read > need || s.eof // the source shows that nothing more belongs to it
				if int64(need) > st.Done || !past {
					break
				}
				want++
			}
			if r.layers != want {
				t.Fatalf("%d of %d commands executed: %d layers complete, want %d", st.Done, read, r.layers, want)
			}
			if st.Done > 0 && r.line != lineOf[st.Done-1] {
				t.Fatalf("command %d stands on line %d, want %d", st.Done, r.line, lineOf[st.Done-1])
			}
			if r.nominalS < 0 || r.allowS < r.nominalS {
				t.Fatalf("%g s of at most %g s on their way", r.nominalS, r.allowS)
			}
		}
		for {
			_, _, err := s.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			read++
			check()
		}
		if read != len(lineOf) {
			t.Fatalf("%d commands read, want %d", read, len(lineOf))
		}
		check()
		st.Done, st.Finished = int64(read), true
		if r := s.at(&st); !r.finished || r.layers != len(layers) {
			t.Fatalf("at the end: %+v of %d layers", r, len(layers))
		}
	})
}

// Counts that are still those of the run before say nothing about this one.
func TestStaleCounts(t *testing.T) {
	s := newSource(strings.NewReader("G28\nG1 X1\nG1 X2\n"), []Layer{{EndLine: 1}}, nil)
	st := link.State{Sent: 5000, Accepted: 5000, Done: 5000, Finished: true}
	if r := s.at(&st); r.finished || r.done != 0 || r.layers != 0 {
		t.Errorf("%+v", r)
	}
	for range 2 {
		if _, _, err := s.Next(); err != nil {
			t.Fatal(err)
		}
	}
	st = link.State{Sent: 2, Accepted: 2, Done: 1, Finished: true}
	if r := s.at(&st); r.finished || r.done != 1 || r.layers != 1 || !r.homed {
		t.Errorf("%+v", r)
	}
}

func TestSourceAllocatesNothing(t *testing.T) {
	text := strings.Repeat("G1 X10.5 Y20.25 E0.0331\n", 5000)
	s := newSource(strings.NewReader(text), nil, nil)
	if n := testing.AllocsPerRun(4000, func() {
		if _, _, err := s.Next(); err != nil {
			t.Fatal(err)
		}
	}); n > 0.01 {
		t.Errorf("%g allocations a command", n)
	}
}

func TestIsCommand(t *testing.T) {
	for text, want := range map[string]bool{"G28": true, "G28 X": true, "G280": false, "G2": false, "": false, "G28X0": true} {
		if isCommand([]byte(text), "G28") != want {
			t.Errorf("%q: %v", text, !want)
		}
	}
}
