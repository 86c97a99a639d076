package motion

import "math"

// stepwise is a second, slow model of what a firmware does with a program, which
// shares nothing with the planner: it rounds every target to whole steps, plans a
// ring of moves with whole sweeps after every line, and then makes the steps one
// by one, each as far behind the last as the rate then in force says. It holds
// what the recorded seconds taught:
//
//   - a ring of 16 places holds 15 moves, the running one included, and the speed
//     at which a move ends is settled when it begins;
//   - a move begins with a whole interval at its first rate, and the rate of each
//     interval is the one that the clock gives at its start, less half the first
//     interval; so speed lags behind the ideal ramp by half the first interval;
//   - both ramps are made of whole steps, rounded up: braking begins early and
//     ends in a step at the last rate.
type stepwise struct {
	lim     Limits
	timerHz float64 // intervals are cut to whole ticks; 0: they are not

	at, done [4]float64 // mm asked for, steps taken
	queue    []*stepMove
	prev     *stepMove
	seconds  float64
	moves    int
}

type stepMove struct {
	steps                    float64
	perMM                    float64 // steps per mm of the way
	lengthMM, nominal, accel float64
	unit, speed              [4]float64
	ceiling2, floor2         float64 // of the square of the entry speed
	entry2                   float64
	fixed                    bool // the move before it has begun
}

// stepRing is how many moves the ring holds, the running one included.
const stepRing = 15

func (s *stepwise) line(d [4]float64, feed float64) {
	for i := range d {
		s.at[i] += d[i]
	}
	var n, mm [4]float64
	most := 0.0
	for i := range n {
		n[i] = math.RoundToEven(s.at[i]*s.lim.StepsPerMM[i]) - s.done[i]
		mm[i] = n[i] / s.lim.StepsPerMM[i]
		most = math.Max(most, math.Abs(n[i]))
	}
	if most < 6 {
		return // runs with the next
	}
	for i := range n {
		s.done[i] += n[i]
	}
	m := &stepMove{steps: most}
	m.lengthMM = math.Hypot(math.Hypot(mm[X], mm[Y]), mm[Z])
	accel := s.lim.AccelPrintMMs2
	least := s.lim.MinFeedMMs
	switch {
	case math.Abs(n[X]) < 6 && math.Abs(n[Y]) < 6 && math.Abs(n[Z]) < 6:
		m.lengthMM, accel = math.Abs(mm[E]), s.lim.AccelRetractMMs2
	case n[E] == 0:
		accel, least = s.lim.AccelTravelMMs2, s.lim.MinTravelFeedMMs
	}
	m.perMM = most / m.lengthMM
	m.nominal = math.Max(feed, least)
	for len(s.queue) >= stepRing-1 {
		s.run()
	}
	if q := len(s.queue); q >= 2 && q < 8 {
		if t := m.lengthMM / m.nominal; t < s.lim.MinSegmentMS/1000 {
			m.nominal = m.lengthMM / (t + 2*(s.lim.MinSegmentMS/1000-t)/float64(q))
		}
	}
	factor, slow := 1.0, 1.0
	for i := range n {
		if v := math.Abs(mm[i]) / m.lengthMM * m.nominal; s.lim.MaxFeedMMs[i] > 0 && v > s.lim.MaxFeedMMs[i] {
			factor = math.Min(factor, s.lim.MaxFeedMMs[i]/v)
		}
		if a := math.Abs(mm[i]) / m.lengthMM * accel; s.lim.MaxAccelMMs2[i] > 0 && a > s.lim.MaxAccelMMs2[i] {
			slow = math.Min(slow, s.lim.MaxAccelMMs2[i]/a)
		}
	}
	m.nominal *= factor
	m.accel = accel * slow
	for i := range n {
		m.unit[i] = mm[i] / m.lengthMM
		m.speed[i] = m.unit[i] * m.nominal
	}
	m.floor2 = math.Min(m.accel/m.perMM/2, m.nominal*m.nominal)
	m.ceiling2 = math.Max(m.floor2, math.Min(s.corner2(m), m.nominal*m.nominal))
	m.entry2 = m.floor2
	s.queue = append(s.queue, m)
	s.prev = m
	s.sweep()
}

func (s *stepwise) corner2(m *stepMove) float64 {
	fresh := len(s.queue) == 0
	if s.lim.JunctionDeviationMM == 0 {
		v, ratio := m.nominal, 1.0
		for i := range m.speed {
			var jump float64
			if fresh {
				jump = 2 * math.Abs(m.speed[i])
			} else {
				v = math.Min(m.nominal, s.prev.nominal)
				jump = math.Abs(s.prev.speed[i]*v/s.prev.nominal - m.speed[i]*v/m.nominal)
			}
			if j := s.lim.JerkMMs[i]; j > 0 && jump*ratio > j {
				ratio = j / jump
			}
		}
		return v * v * ratio * ratio
	}
	if fresh {
		return 0
	}
	var a, b, turn [4]float64
	la, lb, cos := norm4(s.prev.unit), norm4(m.unit), 0.0
	for i := range a {
		a[i], b[i] = s.prev.unit[i]/la, m.unit[i]/lb
		cos -= a[i] * b[i]
		turn[i] = b[i] - a[i]
	}
	if cos > 0.999999 {
		return 0
	}
	cos = math.Max(cos, -0.999999)
	accel := m.accel
	if l := norm4(turn); l > 0 {
		for i := range turn {
			if w := math.Abs(turn[i]) / l; s.lim.MaxAccelMMs2[i] > 0 && accel*w > s.lim.MaxAccelMMs2[i] {
				accel = s.lim.MaxAccelMMs2[i] / w
			}
		}
	}
	half := math.Sqrt((1 - cos) / 2)
	v2 := accel * s.lim.JunctionDeviationMM * half / (1 - half)
	if m.lengthMM < 1 && cos < -math.Sqrt2/2 {
		v2 = math.Min(v2, m.lengthMM*accel/math.Acos(-cos))
	}
	return math.Min(v2, s.prev.nominal*s.prev.nominal)
}

func norm4(v [4]float64) float64 {
	return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2] + v[3]*v[3])
}

func (s *stepwise) sweep() {
	next := s.prev.floor2
	for i := len(s.queue) - 1; i >= 0; i-- {
		m := s.queue[i]
		if !m.fixed {
			m.entry2 = math.Min(m.ceiling2, next+2*m.accel*m.lengthMM)
		}
		next = m.entry2
	}
	for i := 1; i < len(s.queue); i++ {
		b := s.queue[i-1]
		s.queue[i].entry2 = math.Min(s.queue[i].entry2, b.entry2+2*b.accel*b.lengthMM)
	}
}

// run makes the oldest move's steps.
func (s *stepwise) run() {
	m := s.queue[0]
	s.queue = s.queue[1:]
	exit2 := m.floor2
	if len(s.queue) > 0 {
		s.queue[0].fixed = true
		exit2 = s.queue[0].entry2
	}
	s.moves++
	top := math.Max(1, math.Ceil(m.nominal*m.perMM-1e-6))
	first := math.Min(top, math.Max(1, math.Round(math.Sqrt(m.entry2)*m.perMM)))
	last := math.Min(top, math.Max(1, math.Round(math.Sqrt(exit2)*m.perMM)))
	accel := math.Ceil(m.accel*m.perMM - 1e-6)
	up, down := (top*top-first*first)/(2*accel), (top*top-last*last)/(2*accel)
	speedUp, slowDown := math.Ceil(up), math.Ceil(down)
	if speedUp+slowDown > m.steps {
		speedUp = math.Max(0, math.Min(m.steps, math.Round((m.steps+up-down)/2)))
		slowDown = m.steps - speedUp
	}
	tick := func(rate float64) float64 {
		if s.timerHz > 0 {
			return math.Floor(s.timerHz/rate) / s.timerHz
		}
		return 1 / rate
	}
	interval := tick(first)
	total := interval
	since, braking, rate := interval/2, interval/2, first
	for done := 1.0; done < m.steps; done++ {
		switch {
		case done < speedUp:
			rate = math.Min(top, first+accel*since)
			interval = tick(rate)
			since += interval
			braking = 0
		case done >= m.steps-slowDown:
			interval = tick(math.Max(last, rate-accel*braking))
			braking += interval
		default:
			if rate = top; interval != tick(top) || done == speedUp {
				interval = tick(top)
				braking = interval / 2
			}
		}
		total += interval
	}
	s.seconds += total
}

func (s *stepwise) drain() {
	for len(s.queue) > 0 {
		s.run()
	}
}
