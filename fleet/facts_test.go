package fleet

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Each fact of the wire has its test, by name: the list may not outlive them.
func TestFactsHaveTests(t *testing.T) {
	known := map[string]bool{}
	name := regexp.MustCompile(`(?m)^func (Test\w+)\(t \*testing\.T\)`)
	for pkg, dir := range map[string]string{"fleet": ".", "link": "link", "watch": "watch", "sim": "sim"} {
		files, err := filepath.Glob(filepath.Join(dir, "*_test.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range name.FindAllSubmatch(text, -1) {
				known[pkg+" "+string(m[1])] = true
			}
		}
	}
	list, err := os.ReadFile("testdata/facts.txt")
	if err != nil {
		t.Fatal(err)
	}
	facts := 0
	for line := range strings.Lines(string(list)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		fact, tests, ok := strings.Cut(line, " | ")
		if !ok {
			t.Errorf("no test stands behind %q", line)
			continue
		}
		facts++
		for _, test := range strings.Split(tests, ", ") {
			if !known[test] {
				t.Errorf("%q: there is no %s", fact, test)
			}
		}
	}
	if facts < 40 {
		t.Errorf("%d facts", facts)
	}
}
