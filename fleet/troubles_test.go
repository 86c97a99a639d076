package fleet

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Every cause that the code can name stands in the table, and the table in
// DEVELOPERS.md; UNDERCROFT_UPDATE=1 writes it there.
func TestTroublesAreTold(t *testing.T) {
	listed := map[string]bool{}
	for _, r := range Troubles() {
		for c := range strings.SplitSeq(r.Cause, ", ") {
			listed[c] = true
		}
		if r.Seen == "" || r.When == "" || r.Why == "" || r.Action == "" {
			t.Errorf("%+v", r)
		}
	}
	constant := regexp.MustCompile(`(?m)^\t(?:Cause)?\w+\s+(?:Cause|Ask)?\s*= "([a-z-]+)"`)
	for _, file := range []string{"watch/watch.go", "link/state.go"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range constant.FindAllStringSubmatch(string(text), -1) {
			// Two that no run meets by the machine's doing: phases, and a bug of ours.
			if !listed[m[1]] && m[1] != "internal" {
				t.Errorf("%s of %s is not in the table", m[1], file)
			}
		}
	}
	const page, mark = "../DEVELOPERS.md", "<!-- troubles -->\n"
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(text), mark)
	table, after, closed := strings.Cut(rest, mark)
	if !ok || !closed {
		t.Fatalf("%s has no two lines %q", page, mark)
	}
	if os.Getenv("UNDERCROFT_UPDATE") != "" {
		if err := os.WriteFile(page, []byte(before+mark+TroublesTable()+mark+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if table != TroublesTable() {
		t.Errorf("the table of %s is not the code's; run UNDERCROFT_UPDATE=1 go test ./fleet -run Troubles", page)
	}
}
