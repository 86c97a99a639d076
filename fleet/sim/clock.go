package sim

import "time"

// vt is a point in virtual time: nanoseconds since the printer was started.
// Resets of the board do not set it back.
type vt = time.Duration

// never is later than anything that happens.
const never = vt(1<<63 - 1)

// clock turns real time into virtual time. Deadlines are absolute virtual
// times, so a late wake-up is caught up with and never adds up to drift.
type clock struct {
	start time.Time
	pace  float64
}

func (c clock) now() vt { return vt(float64(time.Since(c.start)) * c.pace) }

// when is the virtual time of a real one.
func (c clock) when(t time.Time) vt { return vt(float64(t.Sub(c.start)) * c.pace) }

// real is how long d takes on the wall, at least a nanosecond, so that a
// deadline that rounds to nothing still lets a stopped test clock move.
func (c clock) real(d vt) time.Duration {
	r := float64(d)/c.pace + 1
	if r > float64(never/2) {
		return never / 2
	}
	return time.Duration(r)
}

// virtual is how much virtual time passes in d of real time.
func (c clock) virtual(d time.Duration) vt {
	v := float64(d) * c.pace
	if v > float64(never/4) {
		return never / 4
	}
	return vt(v)
}
