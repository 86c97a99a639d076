package analyze

import (
	"os"
	"testing"

	"undercroft/gcode/motion"
)

// Planner seconds of a recorded run of an open firmware's planner, less its
// 0.1 s delay on starting from empty.
func TestRecordedPlanner(t *testing.T) {
	for _, c := range []struct {
		file            string
		deviation, jerk float64
	}{
		{"line", 1.139, 1.139},
		{"square", 10.573, 10.553},
		{"zigzag", 44.731, 44.690},
		{"retract", 53.345, 54.745},
	} {
		for _, model := range []string{"deviation", "jerk"} {
			l := motion.Limits{
				MaxFeedMMs:     [4]float64{300, 300, 5, 25},
				MaxAccelMMs2:   [4]float64{3000, 3000, 100, 10000},
				AccelPrintMMs2: 3000, AccelRetractMMs2: 3000, AccelTravelMMs2: 3000,
				MinSegmentMS: 20,
				StepsPerMM:   [4]float64{80, 80, 400, 500},
			}
			want := c.deviation
			if model == "deviation" {
				l.JunctionDeviationMM = 0.013
			} else {
				l.JerkMMs = [4]float64{10, 10, 0.3, 5}
				want = c.jerk
			}
			want -= 0.1
			f, err := os.Open("../../testdata/gcode/motion/" + c.file + ".gcode")
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			r, err := Read(f, Options{Limits: l})
			if err != nil {
				t.Fatal(err)
			}
			off := (r.MotionS - want) / want
			t.Logf("%s %s: %.4f, recorded %.4f: %+.2f %%", c.file, model, r.MotionS, want, 100*off)
			if off < -0.01 || off > 0.01 {
				t.Errorf("%s %s: %.4f s, recorded %.4f s: off by %.2f %%", c.file, model, r.MotionS, want, 100*off)
			}
		}
	}
}
