package fleet

import (
	"math"
	"strings"
	"testing"
	"time"

	"undercroft/fleet/watch"
)

// TestConstantsAreTimed holds what is learned of a start as the counts of
// executed commands show it.
func TestConstantsAreTimed(t *testing.T) {
	type learned struct {
		what watch.Constant
		s    float64
	}
	for _, c := range []struct {
		name, file string
		// seconds at which each command is certainly executed
		at     []float64
		paused float64 // from when on; 0: never
		want   []learned
	}{
		{"homing behind a wait for heat", "M190 S60\nG28\nG1 X5\n", []float64{240, 262.5, 270}, 0, []learned{{watch.Homing, 22.5}}},
		{"the first command", "G28\nG1 X5\n", []float64{19, 20}, 0, []learned{{watch.Homing, 19}}},
		{"two of three axes", "M82\nG28 X Y\nG1 X5\n", []float64{1, 11, 12}, 0, []learned{{watch.Homing, 15}}},
		{"levelling", "G28\nG29\nG1 X5\n", []float64{20, 95, 96}, 0, []learned{{watch.Homing, 20}, {watch.Levelling, 75}}},
		{"behind a move that is only certain with it", "M82\nG1 Z5\nG28\n", []float64{1, 30, 30}, 0, nil},
		{"a pause in between", "M82\nG28\nG1 X5\n", []float64{1, 40, 41}, 10, nil},
	} {
		s := newSource(strings.NewReader(c.file), nil, nil)
		for {
			if _, _, err := s.Next(); err != nil {
				break
			}
		}
		start := time.Unix(1e9, 0)
		var got []learned
		for at := 0.0; at < 300; at += 0.5 {
			done := 0
			for done < len(c.at) && c.at[done] <= at {
				done++
			}
			s.timed(int64(done), start.Add(time.Duration(at*1e9)), c.paused > 0 && at >= c.paused, func(w watch.Constant, seconds float64) {
				got = append(got, learned{w, seconds})
			})
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: %+v", c.name, got)
			continue
		}
		for i, w := range c.want {
			if got[i].what != w.what || math.Abs(got[i].s-w.s) > 0.51 {
				t.Errorf("%s: %+v, want %+v", c.name, got[i], w)
			}
		}
	}
}
