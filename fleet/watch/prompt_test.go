package watch

import (
	"bufio"
	"os"
	"strings"
	"testing"
)

// The questions of the recorded runout and of the recorded filament change that
// was left alone, with the answers that made them go on.
func TestRecordedPrompts(t *testing.T) {
	cases := []struct {
		file string
		want []string
	}{
		{"af-07-runout.txt", []string{"Nozzle Parked (Continue): M108", "Paused (PurgeMore, Continue): M876 S1"}},
		{"af-07-m600.txt", []string{"Nozzle Parked (Continue): M108", "Paused (PurgeMore, Continue): M876 S1", "Heater Timeout (Reheat): M108", "Reheat Done (Continue): M108"}},
	}
	for _, c := range cases {
		f, err := os.Open("../../testdata/link/" + c.file)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		var p Prompt
		seen := map[string]bool{}
		var got []string
		for lines := bufio.NewScanner(f); lines.Scan(); {
			line, ok := strings.CutPrefix(lines.Text(), "< ")
			if !ok {
				continue
			}
			p.Hear(line)
			if cmd, fresh := p.Answer(); fresh {
				p.Answered()
				s := p.Words() + ": " + cmd
				if !seen[s] {
					got = append(got, s)
				}
				seen[s] = true
				if _, again := p.Answer(); again {
					t.Errorf("%s: %q is to be answered twice", c.file, s)
				}
			}
		}
		if strings.Join(got, "; ") != strings.Join(c.want, "; ") {
			t.Errorf("%s: %q, want %q", c.file, got, c.want)
		}
	}
}

func TestPromptIsBounded(t *testing.T) {
	var p Prompt
	p.Hear("//action:prompt_begin " + strings.Repeat("x", 1000))
	for range 100 {
		p.Hear("//action:prompt_button " + strings.Repeat("y", 1000))
	}
	p.Hear("//action:prompt_show")
	if len(p.Title) > 80 || len(p.Buttons) > 10 || len(p.Words()) > 1000 {
		t.Errorf("%d %d", len(p.Title), len(p.Buttons))
	}
	if cmd, fresh := p.Answer(); fresh {
		t.Errorf("no button continues, and it is answered by %q", cmd)
	}
}
