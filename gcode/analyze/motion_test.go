package analyze

import (
	"math"
	"os"
	"testing"

	"undercroft/gcode/motion"
)

// Seconds of a recorded run of an open firmware's planner. They hold the wait for
// further moves on starting from empty: 0.1 s where fewer than three are queued
// (line), about 8 ms where three are. motion_s holds no wait. Every recorded value
// is met within 1 % when 0.1 s is taken off all of them, and within 0.1 % and 10 ms
// when what was waited is taken off.
func TestRecordedPlanner(t *testing.T) {
	for _, c := range []struct {
		file                    string
		deviation, jerk, waited float64
	}{
		{"line", 1.139, 1.139, 0.1},
		{"square", 10.573, 10.553, 0},
		{"zigzag", 44.731, 44.690, 0},
		{"retract", 53.345, 54.745, 0},
	} {
		for _, model := range []string{"deviation", "jerk"} {
			l := motion.Limits{
				MaxFeedMMs:     [4]float64{300, 300, 5, 25},
				MaxAccelMMs2:   [4]float64{3000, 3000, 100, 10000},
				AccelPrintMMs2: 3000, AccelRetractMMs2: 3000, AccelTravelMMs2: 3000,
				MinSegmentMS: 20,
				StepsPerMM:   [4]float64{80, 80, 400, 500},
			}
			recorded := c.deviation
			if model == "deviation" {
				l.JunctionDeviationMM = 0.013
			} else {
				l.JerkMMs = [4]float64{10, 10, 0.3, 5}
				recorded = c.jerk
			}
			f, err := os.Open("../../testdata/gcode/motion/" + c.file + ".gcode")
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			r, err := Read(f, Options{Limits: l})
			if err != nil {
				t.Fatal(err)
			}
			ours := r.MotionS
			flat, exact := recorded-0.1, recorded-c.waited
			t.Logf("%-8s %-9s recorded %.3f s, ours %.3f s: %+.2f %% of what was waited for less, %+.2f %% of 0.1 s less",
				c.file, model, recorded, ours, 100*(ours/exact-1), 100*(ours/flat-1))
			if math.Abs(ours/flat-1) > 0.01 {
				t.Errorf("%s %s: %.4f s, recorded %.4f s less 0.1 s", c.file, model, ours, recorded)
			}
			if math.Abs(ours-exact) > 0.01+0.001*exact {
				t.Errorf("%s %s: %.4f s, recorded %.4f s less %.1f s", c.file, model, ours, recorded, c.waited)
			}
		}
	}
}
