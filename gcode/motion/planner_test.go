package motion

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func within(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s: %.7g, want %.7g", what, got, want)
	}
}

// plain limits nothing but one acceleration and the corners.
func plain(accel, deviation float64) Limits {
	return Limits{AccelPrintMMs2: accel, AccelRetractMMs2: accel, AccelTravelMMs2: accel, JunctionDeviationMM: deviation}
}

type move struct {
	d    [4]float64
	feed float64
}

// run plans moves as a stream would feed them and returns each one's duration.
func run(p *Planner, moves []move) (each []float64, total float64) {
	for _, m := range moves {
		for !p.Push(m.d, m.feed) {
			s, _ := p.Pop()
			each = append(each, s)
		}
	}
	for {
		s, ok := p.Pop()
		if !ok {
			break
		}
		each = append(each, s)
	}
	for _, s := range each {
		total += s
	}
	return each, total
}

// The trapezoid's closed forms: arithmetic.
func TestTrapezoid(t *testing.T) {
	for _, c := range []struct{ length, feed, accel, want float64 }{
		{100, 100, 1000, 1.1},
		{10, 100, 1000, 0.2},     // the boundary: the nominal speed is just reached
		{5, 100, 1000, 0.141421}, // peak 70.7107 mm/s
		{50, 150, 3000, 0.383333},
	} {
		_, got := run(NewPlanner(plain(c.accel, 0.05), 16), []move{{[4]float64{c.length}, c.feed}})
		within(t, "seconds", got, c.want, 1e-6)
	}
}

// Accelerate at 2, brake at 4 over a distance of 100: peak 16.3299, 12.2474 s
// (textbook kinematics). The ramps are two moves in line with their own limits.
func TestUnequalRamps(t *testing.T) {
	peak2 := 2 * 100 / (1/2. + 1/4.)
	p := NewPlanner(plain(2, 1e9), 16)
	p.Push([4]float64{peak2 / (2 * 2)}, 1000)
	p.SetLimits(plain(4, 1e9))
	p.Push([4]float64{peak2 / (2 * 4)}, 1000)
	within(t, "peak", math.Sqrt(p.ring[1].entry2), 16.3299, 5e-5)
	a, _ := p.Pop()
	b, _ := p.Pop()
	within(t, "seconds", a+b, 12.2474, 5e-5)
}

// Speeds in corners by junction deviation: Jeon 2011 (from memory) and arithmetic.
func TestJunctionDeviation(t *testing.T) {
	for _, c := range []struct{ accel, deviation, turnDeg, want float64 }{
		{1000, 0.05, 90, 10.9868},
		{1000, 0.05, 45, 24.6344},
		{1000, 0.05, 135, 5.5674},
		{1000, 0.01, 90, 4.9135},
		{1000, 0.05, 180, 0},
	} {
		p := NewPlanner(plain(c.accel, c.deviation), 16)
		sin, cos := math.Sincos(c.turnDeg * math.Pi / 180)
		p.Push([4]float64{100, 0}, 200)
		p.Push([4]float64{100 * cos, 100 * sin}, 200)
		within(t, "corner speed", math.Sqrt(p.ring[1].entry2), c.want, 5e-5)
	}
}

// An arc of radius 5 at 1000 mm/s² is passed at √(a·r) = 70.7107 mm/s
// (arithmetic): short chords are bounded by the circle through them.
func TestArcSpeed(t *testing.T) {
	const r, n = 5, 400
	p := NewPlanner(plain(1000, 1), 64)
	fastest := 0.0
	for i := range 200 {
		a0, a1 := 2*math.Pi*float64(i)/n, 2*math.Pi*float64(i+1)/n
		p.Push([4]float64{r * (math.Cos(a1) - math.Cos(a0)), r * (math.Sin(a1) - math.Sin(a0))}, 500)
		if i > 0 {
			fastest = max(fastest, math.Sqrt(p.ring[(p.tail-1)&p.mask].maxEntry2))
		}
		if p.Len() == 64 {
			p.Pop()
		}
	}
	within(t, "speed", fastest, 70.7107, 0.005)
}

// Per-axis jerk: a corner of 90° may change X by its jerk and Y by its own at
// once, a reversal by the whole change; a start from rest begins at half the jerk
// (arithmetic on the rule; the recorded programs bear it out).
func TestJerk(t *testing.T) {
	l := plain(1000, 0)
	l.JerkMMs = [4]float64{10, 8, 0.3, 5}
	p := NewPlanner(l, 16)
	p.Push([4]float64{100, 0}, 200)
	within(t, "start along X", math.Sqrt(p.ring[0].entry2), 5, 1e-9)
	p.Push([4]float64{0, 100}, 200)
	within(t, "corner", math.Sqrt(p.ring[1].entry2), 8, 1e-9)
	p.Push([4]float64{0, -100}, 200) // reversal: the whole of Y jumps
	within(t, "reversal", math.Sqrt(p.ring[2].entry2), 4, 1e-9)
	p.Push([4]float64{0, -100}, 200)
	within(t, "in line", math.Sqrt(p.ring[3].maxEntry2), 200, 1e-9)
}

func TestFeedAndAccelerationByAxis(t *testing.T) {
	l := plain(1000, 0.05)
	l.MaxFeedMMs = [4]float64{100, 50, 5, 25}
	l.MaxAccelMMs2 = [4]float64{1000, 500, 100, 10000}
	p := NewPlanner(l, 16)
	p.Push([4]float64{3, 4}, 300)
	within(t, "feed", p.ring[0].nominal, 62.5, 1e-9) // Y: 50/0.8
	within(t, "acceleration", p.ring[0].accel, 625, 1e-9)
	p.Push([4]float64{0, 0, 10}, 300)
	within(t, "Z feed", p.ring[1].nominal, 5, 1e-9)
	p.Push([4]float64{0, 0, 0, -2}, 300)
	within(t, "E feed", p.ring[2].nominal, 25, 1e-9)
}

func TestShortMovesAreMerged(t *testing.T) {
	l := plain(1000, 0.05)
	l.StepsPerMM = [4]float64{80, 80, 400, 500}
	p := NewPlanner(l, 16)
	for range 10 {
		if !p.Push([4]float64{0.01}, 100) {
			t.Fatal("full")
		}
	}
	if p.Len() != 1 { // 7 × 0.01 mm are 5.6 steps, which are 6
		t.Errorf("%d moves, want 1", p.Len())
	}
	within(t, "length", p.ring[0].lengthMM, 6./80, 1e-12)
	if !p.Push([4]float64{}, 100) || p.Len() != 1 {
		t.Error("a move of no length takes a place")
	}
}

func TestSmallAngle(t *testing.T) {
	for deg := 0.05; deg < 45; deg += 0.05 {
		phi := deg * math.Pi / 180
		s := math.Sin(phi / 2)
		within(t, "angle", smallAngle(s*s)/phi, 1, 3e-6)
	}
}

func TestFullAndEmpty(t *testing.T) {
	p := NewPlanner(plain(1000, 0.05), 16)
	if _, ok := p.Pop(); ok {
		t.Error("a move out of nothing")
	}
	for i := range 16 {
		if !p.Push([4]float64{1}, 100) {
			t.Fatalf("full after %d", i)
		}
	}
	if p.Push([4]float64{1}, 100) {
		t.Error("a seventeenth move")
	}
}

// integrate is an independent way to the time of a polyline in X and Y: the
// greatest speed at points 1 µm to 0.1 mm apart along the whole path, by one
// sweep backwards and one forwards over v² with the corners' limits, then the sum of
// the pieces' times. It looks ahead without bound.
func integrate(points [][2]float64, feed, accel, deviation float64) float64 {
	const pieces = 2000
	var s, limit2 []float64 // length of each piece, and v² allowed at its start
	for i := 1; i < len(points); i++ {
		dx, dy := points[i][0]-points[i-1][0], points[i][1]-points[i-1][1]
		l := math.Hypot(dx, dy)
		corner := 0.0
		if i > 1 {
			px, py := points[i-1][0]-points[i-2][0], points[i-1][1]-points[i-2][1]
			turn := math.Abs(math.Atan2(px*dy-py*dx, px*dx+py*dy))
			h := math.Cos(turn / 2) // sin of half the angle between the moves
			corner = math.Inf(1)
			if h < 1-1e-12 {
				corner = accel * deviation * h / (1 - h)
			}
			if l < 1 && turn < math.Pi/4 {
				corner = min(corner, l*accel/max(turn, 1e-9))
			}
		}
		for k := range pieces {
			s = append(s, l/pieces)
			v2 := feed * feed
			if k == 0 {
				v2 = min(v2, corner)
			}
			limit2 = append(limit2, v2)
		}
	}
	limit2 = append(limit2, 0)
	for i := len(s) - 1; i >= 0; i-- {
		limit2[i] = min(limit2[i], limit2[i+1]+2*accel*s[i])
	}
	t := 0.0
	for i := range s {
		limit2[i+1] = min(limit2[i+1], limit2[i]+2*accel*s[i])
		t += 2 * s[i] / (math.Sqrt(limit2[i]) + math.Sqrt(limit2[i+1]))
	}
	return t
}

// TestAgainstIntegration compares whole programs with the independent way, for
// moves long enough that 16 of them hold any braking distance.
func TestAgainstIntegration(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for trial := range 40 {
		n := 4 + r.IntN(40)
		accel := 500 + 4000*r.Float64()
		feed := 20 + 180*r.Float64()
		deviation := 0.005 + 0.1*r.Float64()
		shortest := 0.2
		if trial%2 == 0 {
			shortest = feed * feed / accel / 12
		}
		points := [][2]float64{{}}
		var moves []move
		angle := 0.0
		for range n {
			angle += (r.Float64() - 0.5) * 2 * math.Pi * r.Float64()
			l := shortest + 10*r.Float64()*r.Float64()
			last := points[len(points)-1]
			d := [4]float64{l * math.Cos(angle), l * math.Sin(angle)}
			points = append(points, [2]float64{last[0] + d[0], last[1] + d[1]})
			moves = append(moves, move{d, feed})
		}
		_, got := run(NewPlanner(plain(accel, deviation), 64), moves)
		want := integrate(points, feed, accel, deviation)
		if math.Abs(got-want) > 0.002*want {
			t.Errorf("trial %d: %d moves at %g mm/s, %g mm/s²: %.6f s, integrated %.6f s", trial, n, feed, accel, got, want)
		}
	}
}

// TestReplanIsComplete holds that stopping early in the sweeps loses nothing:
// every entry speed is what full sweeps over the queue give.
func TestReplanIsComplete(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := plain(rapid.Float64Range(100, 5000).Draw(t, "accel"), 0.02)
		if rapid.Bool().Draw(t, "jerk") {
			l.JunctionDeviationMM = 0
			l.JerkMMs = [4]float64{10, 10, 0.3, 5}
		}
		p := NewPlanner(l, 16)
		n := rapid.IntRange(1, 60).Draw(t, "moves")
		for range n {
			var d [4]float64
			d[X] = rapid.Float64Range(-5, 5).Draw(t, "x")
			d[Y] = rapid.Float64Range(-5, 5).Draw(t, "y")
			if rapid.Bool().Draw(t, "extrudes") {
				d[E] = rapid.Float64Range(-1, 1).Draw(t, "e")
			}
			for !p.Push(d, rapid.Float64Range(5, 300).Draw(t, "feed")) {
				if s, ok := p.Pop(); !ok || !(s > 0) || math.IsInf(s, 0) {
					t.Fatalf("a move of %g s", s)
				}
			}
			checkFull(t, p)
		}
	})
}

// checkFull compares the queue with full sweeps from the oldest move's entry.
func checkFull(t *rapid.T, p *Planner) {
	n := p.Len()
	if n == 0 {
		return
	}
	at := func(i int) *block { return &p.ring[(p.head+i)&p.mask] }
	e := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		b := at(i)
		exit := b.least2()
		if i < n-1 {
			exit = e[i+1]
		}
		e[i] = min(b.maxEntry2, exit+b.twoAL)
	}
	e[0] = at(0).entry2
	for i := 0; i < n-1; i++ {
		e[i+1] = min(e[i+1], e[i]+at(i).twoAL)
	}
	for i := range n {
		if math.Abs(e[i]-at(i).entry2) > 1e-6*(1+e[i]) {
			t.Fatalf("move %d of %d enters at %g, full sweeps give %g", i, n, math.Sqrt(at(i).entry2), math.Sqrt(e[i]))
		}
	}
}

func TestNoAllocations(t *testing.T) {
	p := NewPlanner(Default(), 16)
	r := rand.New(rand.NewPCG(3, 4))
	got := testing.AllocsPerRun(1000, func() {
		for !p.Push([4]float64{r.Float64(), r.Float64(), 0, 0.05}, 60) {
			p.Pop()
		}
	})
	if got != 0 {
		t.Errorf("%g allocations a move", got)
	}
}
