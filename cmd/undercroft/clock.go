package main

import (
	"time"

	"undercroft/cmd/undercroft/config"
)

// houseClock tells house time: the real time, or for virtual printers one that starts
// at base and runs pace times faster.
type houseClock struct {
	base  time.Time // house time at start
	start time.Time // real time at start
	pace  float64   // house seconds per real second
}

// houseTime is the clock of a daemon: real, unless the configuration is a
// rehearsal on virtual printers.
func houseTime(conf *config.Config) houseClock {
	return pacedClock(time.Now().In(conf.House.Location), conf.House.Pace)
}

// pacedClock is a clock that starts at base and runs pace times faster.
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
