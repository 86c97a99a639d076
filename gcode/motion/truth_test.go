package motion

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// recordedLimits are those of the recorded programs (testdata/gcode/motion).
func recordedLimits(model string) Limits {
	l := Limits{
		MaxFeedMMs:     [4]float64{300, 300, 5, 25},
		MaxAccelMMs2:   [4]float64{3000, 3000, 100, 10000},
		AccelPrintMMs2: 3000, AccelRetractMMs2: 3000, AccelTravelMMs2: 3000,
		MinSegmentMS: 20,
		StepsPerMM:   [4]float64{80, 80, 400, 500},
	}
	if model == "deviation" {
		l.JunctionDeviationMM = 0.013
	} else {
		l.JerkMMs = [4]float64{10, 10, 0.3, 5}
	}
	return l
}

// plainProgram reads G0 and G1 with absolute X, Y, Z and relative E, and nothing else.
func plainProgram(t *testing.T, name string) []move {
	t.Helper()
	f, err := os.Open("../../testdata/gcode/motion/" + name + ".gcode")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var moves []move
	var at [4]float64
	feed := 0.0
	for in := bufio.NewScanner(f); in.Scan(); {
		words := strings.Fields(in.Text())
		if len(words) == 0 || words[0] != "G0" && words[0] != "G1" {
			continue
		}
		to := at
		to[E] = 0
		for _, w := range words[1:] {
			v, err := strconv.ParseFloat(w[1:], 64)
			if err != nil {
				t.Fatal(err)
			}
			if w[0] == 'F' {
				feed = v / 60
			} else {
				to[strings.IndexByte("XYZE", w[0])] = v
			}
		}
		moves = append(moves, move{[4]float64{to[X] - at[X], to[Y] - at[Y], to[Z] - at[Z], to[E]}, feed})
		at = to
	}
	return moves
}

// Seconds of a recorded run of an open firmware's planner and stepper code. A run
// that has fewer than three moves queued waits for 0.1 s before it starts; with
// three it starts at once. What the slow model leaves is the time until the third
// line has come in: 7 to 9 ms, in programs of 1 to 300 moves alike. The timer's
// rate of 25 MHz is what makes the long programs agree too.
func TestStepwiseAgainstRecorded(t *testing.T) {
	for _, c := range []struct {
		file            string
		deviation, jerk float64
	}{
		{"line", 1.139, 1.139},
		{"square", 10.573, 10.553},
		{"zigzag", 44.731, 44.690},
		{"retract", 53.345, 54.745},
	} {
		moves := plainProgram(t, c.file)
		for _, model := range []string{"deviation", "jerk"} {
			recorded := c.deviation
			if model == "jerk" {
				recorded = c.jerk
			}
			s := stepwise{lim: recordedLimits(model), timerHz: 25e6}
			for _, m := range moves {
				s.line(m.d, m.feed)
			}
			s.drain()
			delay := 0.0
			if s.moves < 3 {
				delay = 0.1
			}
			_, closed := run(NewPlanner(recordedLimits(model), 14), moves)
			left := recorded - delay - s.seconds
			t.Logf("%-8s %-9s recorded %.3f s, step by step %.3f s + %.1f s delay: %.1f ms left; closed form %.3f s: %+.2f %% of step by step",
				c.file, model, recorded, s.seconds, delay, 1000*left, closed, 100*(closed/s.seconds-1))
			if left < 0.005 || left > 0.015 {
				t.Errorf("%s %s: recorded %.3f s, step by step %.4f s", c.file, model, recorded, s.seconds)
			}
			if math.Abs(closed/s.seconds-1) > 0.0015 {
				t.Errorf("%s %s: closed form %.4f s, step by step %.4f s", c.file, model, closed, s.seconds)
			}
		}
	}
}

// patterns are what prints are made of; each makes n moves or a few more.
var patterns = []struct {
	name string
	make func(r *rand.Rand, to func(x, y, e, feed float64), hop func(z, e, feed float64), k int)
}{
	{"infill", func(_ *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), k int) {
		to(30*float64((k/2)%2), 0.45*float64((k+1)/2), 0.0332, 80)
	}},
	{"thin gap", func(_ *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), k int) {
		to(1.5*float64(k%2), 0.22*float64(k), 0.0332, 80)
	}},
	{"circle", func(_ *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), k int) {
		sin, cos := math.Sincos(float64(k) / 20)
		to(7*cos, 7*sin, 0.0332, 60)
	}},
	{"rough wall", func(r *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), k int) {
		sin, cos := math.Sincos(float64(k) / 60)
		w := 15 + 0.02*r.Float64()
		to(w*cos, w*sin, 0.0332, 100)
	}},
	{"wavy wall", func(_ *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), k int) {
		sin, cos := math.Sincos(float64(k) / 80)
		w := 20 + 0.3*math.Sin(0.4*float64(k))
		to(w*cos, w*sin, 0.0332, 60)
	}},
	{"islands", func(r *rand.Rand, to func(x, y, e, feed float64), hop func(z, e, feed float64), k int) {
		if k%5 == 0 {
			hop(0, -1, 35)
			hop(0.4, 0, 10)
			to(50*r.Float64(), 50*r.Float64(), 0, 150)
			hop(-0.4, 0, 10)
			hop(0, 1, 35)
			return
		}
		to(25+20*r.Float64(), 25+20*r.Float64(), 0.0332, 40)
	}},
	{"speckle", func(r *rand.Rand, to func(x, y, e, feed float64), _ func(z, e, feed float64), _ int) {
		to(20+4*r.Float64(), 20+4*r.Float64(), 0.0332, 20+180*r.Float64())
	}},
}

func patternMoves(p int, r *rand.Rand, n int) []move {
	var out []move
	x, y := 0.0, 0.0
	to := func(x2, y2, e, feed float64) {
		x2, y2 = math.Round(x2*1000)/1000, math.Round(y2*1000)/1000
		out = append(out, move{[4]float64{x2 - x, y2 - y, 0, e * math.Hypot(x2-x, y2-y)}, feed})
		x, y = x2, y2
	}
	hop := func(z, e, feed float64) { out = append(out, move{[4]float64{0, 0, z, e}, feed}) }
	for k := range n {
		patterns[p].make(r, to, hop, k)
	}
	return out
}

func randomLimits(r *rand.Rand, jerk bool) Limits {
	accel := func() float64 { return 500 + 5000*r.Float64() }
	l := Limits{MinSegmentMS: 20, AccelPrintMMs2: accel(), AccelTravelMMs2: accel(), AccelRetractMMs2: accel()}
	xy := []float64{64, 80, 100, 160}[r.IntN(4)]
	l.StepsPerMM = [4]float64{xy, xy, []float64{400, 800, 1600}[r.IntN(3)], []float64{95, 140, 415, 500}[r.IntN(4)]}
	l.MaxAccelMMs2 = [4]float64{500 + 9000*r.Float64(), 500 + 9000*r.Float64(), 50 + 1000*r.Float64(), 1000 + 9000*r.Float64()}
	l.MaxFeedMMs = [4]float64{100 + 300*r.Float64(), 100 + 300*r.Float64(), 5 + 20*r.Float64(), 20 + 60*r.Float64()}
	if jerk {
		l.JerkMMs = [4]float64{2 + 15*r.Float64(), 2 + 15*r.Float64(), 0.2 + r.Float64(), 1 + 8*r.Float64()}
	} else {
		l.JunctionDeviationMM = 0.005 + 0.05*r.Float64()
	}
	return l
}

// TestAgainstStepwise compares whole programs with the slow model under ordinary
// and random limits (simulated), in both cornering models.
func TestAgainstStepwise(t *testing.T) {
	for p := range patterns {
		for _, jerk := range []bool{false, true} {
			const seeds = 8
			sum, worst := 0.0, 0.0
			for seed := range uint64(seeds) {
				r := rand.New(rand.NewPCG(seed, 7))
				l := randomLimits(r, jerk)
				if seed == 0 {
					l = recordedLimits(map[bool]string{false: "deviation", true: "jerk"}[jerk])
				}
				moves := patternMoves(p, r, 250)
				slow := stepwise{lim: l}
				for _, m := range moves {
					slow.line(m.d, m.feed)
				}
				slow.drain()
				_, got := run(NewPlanner(l, 14), moves)
				off := math.Abs(got/slow.seconds - 1)
				sum += off / seeds
				worst = max(worst, off)
			}
			t.Logf("%-10s jerk %-5v: off by %.2f %% in the mean, %.2f %% at most", patterns[p].name, jerk, 100*sum, 100*worst)
			if sum > 0.003 || worst > 0.01 {
				t.Errorf("%s, jerk %v: off by %.2f %% in the mean, %.2f %% at most", patterns[p].name, jerk, 100*sum, 100*worst)
			}
		}
	}
}

// TestMonotonic: a machine that may do more is not slower. With whole steps the
// last one of a move may fall either way, so there a little is allowed.
func TestMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 9))
		less := randomLimits(r, rapid.Bool().Draw(t, "jerk"))
		less.MinSegmentMS = 0
		tolerance := 1e-9
		if rapid.Bool().Draw(t, "steps") {
			tolerance = 0.01
		} else {
			less.StepsPerMM = [4]float64{}
		}
		more := less
		f := rapid.Float64Range(1, 4).Draw(t, "factor")
		what := rapid.SampledFrom([]string{"feed", "acceleration", "corners", "axis acceleration"}).Draw(t, "what")
		switch what {
		case "feed":
			for i := range more.MaxFeedMMs {
				more.MaxFeedMMs[i] *= f
			}
		case "acceleration":
			more.AccelPrintMMs2 *= f
			more.AccelTravelMMs2 *= f
			more.AccelRetractMMs2 *= f
		case "corners":
			more.JunctionDeviationMM *= f
			for i := range more.JerkMMs {
				more.JerkMMs[i] *= f
			}
		case "axis acceleration":
			for i := range more.MaxAccelMMs2 {
				more.MaxAccelMMs2[i] *= f
			}
		}
		moves := patternMoves(rapid.IntRange(0, len(patterns)-1).Draw(t, "pattern"), r, 60)
		_, slow := run(NewPlanner(less, 14), moves)
		_, fast := run(NewPlanner(more, 14), moves)
		if !(fast <= slow*(1+tolerance)) {
			t.Fatalf("%s times %g: %.9g s, before %.9g s", what, f, fast, slow)
		}
	})
}

func TestLn(t *testing.T) {
	for x := 1e-6; x < 1e6; x *= 1.013 {
		within(t, fmt.Sprintf("ln %g", x), ln(x), math.Log(x), 1e-4)
	}
}
