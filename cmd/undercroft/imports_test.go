package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// ban says which packages a room may not import, and why. Rooms are path
// prefixes below the module; test files are free to cross.
type ban struct {
	room   string
	only   []string // of the module's own packages, these alone are allowed; nil: see never
	never  []string // import paths or prefixes that are not allowed
	reason string
}

var bans = []ban{
	{room: "gcode", only: []string{"gcode"}, reason: "the reader of G-code is useful without a fleet; it knows nothing of the rest"},
	{room: "gcode/reprint", only: []string{"gcode", "gcode/analyze", "gcode/motion"}, reason: "a remainder is made from a file alone"},
	{room: "gcode/motion", only: []string{}, reason: "planning moves is arithmetic alone"},
	{room: "fleet/link", only: []string{}, reason: "a leaf: a protocol engine that can be tested by bytes alone"},
	{room: "fleet/watch", only: []string{}, reason: "a leaf: verdicts are pure functions of samples"},
	{room: "fleet/power", only: []string{}, reason: "a leaf: circuit arithmetic is pure"},
	{room: "fleet/sim", only: []string{"gcode/motion"}, reason: "the virtual printer shares no code with the link, so that one mistake cannot hide in both; the planner gives its pace only"},
	{room: "fleet", never: []string{"undercroft/queue", "undercroft/web", "undercroft/metrics"}, reason: "the fleet never hears of a job"},
	{room: "queue", never: []string{"undercroft/web", "undercroft/metrics"}, reason: "the queue does not know who watches"},
	{room: "queue/store", never: []string{"undercroft/queue/dispatch", "undercroft/queue/intake", "undercroft/fleet/sim"}, reason: "the store records, it does not act"},
	{room: "queue/plan", only: []string{"queue"}, reason: "the plan is a pure function of what it is given, time included"},
	{room: "queue/plan/judge", only: []string{}, reason: "the judge shares no code with the planner, so that one mistake cannot hide in both"},
	{room: "metrics", never: []string{"undercroft/web"}, reason: "metrics and web never import each other"},
	{room: "web", never: []string{"undercroft/metrics", "undercroft/fleet", "undercroft/gcode", "undercroft/queue/"}, reason: "handlers decode, call the house, encode; metrics and web never import each other"},
}

// soleImporters are packages that only one file may import.
var soleImporters = map[string]string{
	"go.bug.st/serial": "fleet/link/serial.go",
}

// TestImportsRunOneWay holds the direction of imports between the rooms.
func TestImportsRunOneWay(t *testing.T) {
	root := filepath.Join("..", "..")
	checked := 0
	walkErr := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(root, name)
		rel = filepath.ToSlash(rel)
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && rel != "." {
			return fs.SkipDir
		}
		if !strings.HasSuffix(rel, ".go") || strings.HasSuffix(rel, "_test.go") {
			return nil
		}
		checked++
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range f.Imports {
			imported, _ := strconv.Unquote(spec.Path.Value)
			if sole := soleImporters[imported]; sole != "" && rel != sole {
				t.Errorf("%s imports %s: only %s may", rel, imported, sole)
			}
			for _, b := range bans {
				if reason := b.breaks(path.Dir(rel), imported); reason != "" {
					t.Errorf("%s imports %s: %s", rel, imported, reason)
				}
			}
		}
		return nil
	})
	if walkErr != nil {
		t.Fatal(walkErr)
	}
	if checked < 20 {
		t.Fatalf("only %d files were found below %s: the test looks in the wrong place", checked, root)
	}
}

// breaks returns the reason when a package in dir may not import imported.
func (b ban) breaks(dir, imported string) string {
	own, isOwn := strings.CutPrefix(imported, "undercroft/")
	switch {
	case b.only != nil:
		if dir != b.room && !(b.room == "gcode" && strings.HasPrefix(dir, "gcode/")) || !isOwn {
			return ""
		}
		for _, ok := range b.only {
			if own == ok || strings.HasPrefix(own, ok+"/") {
				return ""
			}
		}
		return b.reason
	case dir == b.room || strings.HasPrefix(dir, b.room+"/"):
		for _, no := range b.never {
			if imported == no || strings.HasPrefix(imported, strings.TrimSuffix(no, "/")+"/") {
				return b.reason
			}
		}
	}
	return ""
}

// TestTopLevelIsWhatItShouldBe keeps the top of the tree to the agreed rooms.
func TestTopLevelIsWhatItShouldBe(t *testing.T) {
	allowed := map[string]bool{}
	for name := range strings.FieldsSeq("cmd fleet gcode queue metrics web testdata go.mod go.sum README.md DEVELOPERS.md LICENSE .gitignore .ci .git") {
		allowed[name] = true
	}
	entries, err := os.ReadDir(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !allowed[e.Name()] {
			t.Errorf("%s stands at the top level; it belongs into a room", e.Name())
		}
	}
}

// TestBansBite shows that the table above can fail.
func TestBansBite(t *testing.T) {
	cases := []struct {
		dir, imported string
		banned        bool
	}{
		{"gcode/analyze", "undercroft/gcode/motion", false},
		{"gcode/analyze", "undercroft/fleet", true},
		{"gcode/motion", "undercroft/gcode", true},
		{"fleet", "undercroft/fleet/link", false},
		{"fleet", "undercroft/queue", true},
		{"fleet/link", "undercroft/gcode", true},
		{"fleet/sim", "undercroft/gcode/motion", false},
		{"fleet/sim", "undercroft/fleet/link", true},
		{"queue/dispatch", "undercroft/web", true},
		{"queue/dispatch", "undercroft/fleet", false},
		{"metrics", "undercroft/web", true},
		{"web", "undercroft/metrics", true},
		{"web", "undercroft/queue", false},
		{"web/pages", "undercroft/queue/store", true},
	}
	for _, c := range cases {
		banned := false
		for _, b := range bans {
			banned = banned || b.breaks(c.dir, c.imported) != ""
		}
		if banned != c.banned {
			t.Errorf("%s importing %s: banned %v, want %v", c.dir, c.imported, banned, c.banned)
		}
	}
}
