package intake

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"undercroft/queue"
)

// Every form of file that testdata holds is either taken whole or refused with
// reasons; none is an error of the house.
func TestEveryFormOfFile(t *testing.T) {
	names, err := filepath.Glob("../../testdata/gcode/*.gcode")
	if err != nil || len(names) == 0 {
		t.Fatal(len(names), err)
	}
	in := intake(t)
	for _, name := range names {
		base := filepath.Base(name)
		t.Run(base, func(t *testing.T) {
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			a, err := in.Add(ctx, Request{FileName: base, NozzleMM: 0.4, Material: "PLA"}, f)
			var r *Refusal
			switch bad := strings.HasPrefix(base, "bad-") || strings.Contains(base, "tools-by") || strings.Contains(base, "tools-standby") || base == "two-tools.gcode"; {
			case bad && (!errors.As(err, &r) || len(r.Findings) == 0):
				t.Errorf("taken: %+v, %v", a.File, err)
			case !bad && err != nil:
				t.Error(err)
			case !bad:
				if f := a.File; f.LayerCount == 0 || f.HeightMM <= 0 || f.EstimateS <= 0 || f.MassG <= 0 || a.Jobs[0].State != queue.Queued {
					t.Errorf("%+v", f)
				}
			}
		})
	}
}
