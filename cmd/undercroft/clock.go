package main

import "time"

// houseClock tells house time: the real time, or in the demo a time that starts
// at base and runs pace times faster.
type houseClock struct {
	base  time.Time // house time at start
	start time.Time // real time at start
	pace  float64   // house seconds per real second
}

// realClock is the clock of a daemon that runs real machines.
func realClock(zone *time.Location) houseClock {
	now := time.Now()
	return houseClock{base: now.In(zone), start: now, pace: 1}
}

// pacedClock is the clock of a demo that starts at base and runs pace times faster.
func pacedClock(base time.Time, pace float64) houseClock {
	return houseClock{base: base, start: time.Now(), pace: pace}
}

// Now returns house time. In a real house it reads the wall clock anew each
// time, so that a clock set by the network after boot is followed.
func (c houseClock) Now() time.Time {
	if c.pace == 1 {
		return time.Now().In(c.base.Location())
	}
	return c.base.Add(time.Duration(float64(time.Since(c.start)) * c.pace))
}
