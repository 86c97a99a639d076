package motion

import "math"

// seconds is how long a move takes that enters at v0, the root of its entry2, and
// leaves at v1, the root of exit2.
//
// The trapezoid: with v the nominal speed, a the acceleration and L the length,
// ramps of (v²−v0²)/2a and (v²−v1²)/2a; if they fit, (v−v0)/a + (v−v1)/a plus the
// rest at v; else the peak is √(aL + (v0²+v1²)/2).
//
// To that comes what a machine of steps adds (family A, held against recorded
// seconds and against a model that makes every step). With h the length of a step:
//
//   - A move begins with a whole interval at its first speed, h/v0, and each
//     interval's speed is that of the ramp's clock at its start less half the
//     first: the ramp takes h/2v0 longer. The clock advances by intervals, so speed
//     lags behind it, and at the top of the ramp the way is some steps short: lag.
//   - Braking is a whole number of steps, rounded up, so it begins up to a step
//     early. It runs ahead of the ramp as speeding up lags, and so it ends before
//     the last speed is reached, or makes the steps left over at that: tail.
//
// These are a few milliseconds a corner, which is 1 to 5 % of what is printed in
// short lines.
//
// end carries v1 and its inverse: both serve the next move too.
func (b *block) seconds(exit2 float64, start, end speed) float64 {
	if b.invAccel == 0 { // without limit
		return b.lengthMM * b.invNom
	}
	ramps := (b.nominal2 - (b.entry2+exit2)/2) * b.invAccel
	if ramps <= b.lengthMM {
		t := (2*b.nominal-start.v-end.v)*b.invAccel + (b.lengthMM-ramps)*b.invNom
		if b.steps == 0 || b.entry2 == b.nominal2 && exit2 == b.nominal2 {
			return t
		}
		h := 1 / b.steps
		ah := b.accel * h
		if b.entry2 < b.nominal2 {
			t += h * (0.5*start.inv + lag(b.nominal2, start, ah)*b.invNom)
		}
		if exit2 < b.nominal2 {
			down := (b.nominal2 - exit2) * 0.5 * b.invAccel * b.steps
			early := math.Ceil(down) - down
			t += tail(early+0.5-ahead(b.nominal2, exit2, ah), end, b.accel, h) - (0.5+early)*h*b.invNom
		}
		return t
	}

	peak2 := (b.twoAL + b.entry2 + exit2) / 2
	if peak2 < b.entry2 {
		peak2 = b.entry2
	}
	if peak2 < exit2 {
		peak2 = exit2
	}
	peak := math.Sqrt(peak2)
	t := (2*peak - start.v - end.v) * b.invAccel
	if b.steps == 0 {
		return t
	}
	h := 1 / b.steps
	ah := b.accel * h
	// Whole steps of speeding up, and how far they are from what the peak takes.
	halfInvAH := 0.5 * b.invAccel * b.steps
	up := (peak2 - b.entry2) * halfInvAH
	whole := math.RoundToEven(up)
	switch {
	case exit2 == peak2: // speeding up all the way
		return t + h*(0.5*start.inv+lag(peak2, start, ah)*end.inv)
	case whole < 2: // braking all the way, behind a first whole interval
		left := b.lengthMM*b.steps - (b.entry2-exit2)*halfInvAH - 0.5 - ahead(b.entry2, exit2, ah)
		return (start.v-end.v)*b.invAccel + 0.5*h*start.inv + tail(left, end, b.accel, h)
	}
	short := lag(peak2, start, ah)
	off := whole - up
	t += h * (0.5*start.inv + (2*(short+off)-1)/peak)
	return t + tail(1-2*off-short-ahead(peak2, exit2, ah), end, b.accel, h)
}

// speed is one in mm/s, and its inverse.
type speed struct{ v, inv float64 }

// lag is by how many steps speeding up from a speed to the root of top2 is behind
// the ramp; ah is acceleration times the length of a step. Interval k runs at the
// speed of its start, which costs a·tₖ²/2 of way: in steps 1/4k, k counted from
// rest, whose sum is a logarithm. The first interval counts apart.
func lag(top2 float64, from speed, ah float64) float64 {
	inv2 := from.inv * from.inv
	q := 0.5 * ah * inv2
	return -0.5 + q/4 + 0.25*ln(top2*inv2/(1+q*q))
}

// tailShare is where in a step braking is summed: between its start, where its
// speed is taken, and its middle; fitted to the model that makes every step.
const tailShare = 0.3

// ahead is by how many steps braking from top2 to exit2, squares of speeds, is
// ahead of the ramp.
func ahead(top2, exit2, ah float64) float64 {
	return 0.25 * ln((top2+tailShare*ah)/(exit2+tailShare*ah))
}

// tail is the time of the steps left over at the last speed when the ramp is done;
// below zero, the time that the ramp had to go when the last step was made.
func tail(left float64, end speed, accel, h float64) float64 {
	if left >= 0 {
		return left * h * end.inv
	}
	// At the last step the speed's square is s times that of the end.
	q := 0.5 * accel * h * end.inv * end.inv
	s := 1 - 4*q*left
	if q > 0.02 {
		// Braking that ends there was less far ahead:
		// s − 1 + q·ln((s+c)/(1+c)) = −4q·left. One step of Newton's rule.
		c := 2 * tailShare * q
		s -= q * (s + c) / (s + c + q) * ln((s+c)/(1+c))
	}
	return (1 - math.Sqrt(s)) * end.v / accel
}

// ln is the natural logarithm of a positive number, off by less than 0.0001: the
// exponent, and a polynomial through the mantissa.
func ln(x float64) float64 {
	bits := math.Float64bits(x)
	exponent := float64(int(bits>>52) - 1023)
	m := math.Float64frombits(bits&(1<<52-1)|1023<<52) - 1
	return exponent*math.Ln2 + m*(0.9972486+m*(-0.4698036+m*(0.2226306-m*0.0569284)))
}
