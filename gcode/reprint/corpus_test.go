package reprint

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"undercroft/gcode/analyze"
)

// TestCorpus cuts every example file at every layer: each remainder stands the
// check, or is refused with a reason.
func TestCorpus(t *testing.T) {
	files, err := filepath.Glob("../../testdata/gcode/*.gcode")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	made := 0
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		res, err := analyze.Read(f, analyze.Options{})
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Layers) == 0 {
			continue
		}
		for object, r := range objectRanges(res.Layers) {
			for k := 1; k < r[1]-r[0]; k += 1 + (r[1]-r[0])/6 {
				_, out, err := plan(t, string(b), Options{Good: k, Object: object + 1, Skirt: k % 3})
				switch {
				case err == nil:
					made++
				case !errors.Is(err, ErrFile):
					t.Errorf("%s, object %d, cut %d: %v\n%.3000s", filepath.Base(name), object+1, k, err, out)
				}
			}
		}
	}
	if made < 60 {
		t.Errorf("only %d remainders were made", made)
	}
}
