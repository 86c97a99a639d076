package watch

import (
	"time"
)

// Curve is how a heater warms up at full power: a first-order system with a dead
// time, fitted to its own earlier heat-ups.
//
//	dT/dt = RiseCS − LossS · T      from DeadS after its target was set
//
// RiseCS is the rise at 0 °C in °C/s: power over heat capacity, and what the room
// gives. LossS is the conductance to the room over the heat capacity, in 1/s.
// Power, capacity and conductance cannot be told apart from temperatures alone,
// and need not be. It holds for this machine as it stands: another sheet, a
// fan or a draught changes it a little, which is why it is used with a margin.
type Curve struct {
	Heater  string  `json:"heater"`
	RiseCS  float64 `json:"rise_c_s"`
	LossS   float64 `json:"loss_s"`
	DeadS   float64 `json:"dead_s"`
	HeatUps int     `json:"heat_ups"` // that it was fitted to
	TopC    float64 `json:"top_c"`    // the hottest of them

	// Sums of the line through (temperature, slope), older heat-ups counting less.
	N  float64 `json:"n"`
	X  float64 `json:"x"`
	Y  float64 `json:"y"`
	XX float64 `json:"xx"`
	XY float64 `json:"xy"`
}

const (
	// The first heat-up may have begun on a machine that was still warm inside.
	trustedAfter = 2
	// What a heat-up counts once the next one is known.
	forgetting = 0.6
	// A weak day: mains 13 % low, which is a quarter of the power, in a room of
	// 5 °C. Mains voltage is allowed to be 10 % low (EN 50160, from memory).
	weakPower = 0.75
	fittedC   = 20.0
	coldRoomC = 5.0
	// Beyond that: a report is 2 s old, a window of the average is as long again.
	reportLag  = 4 * time.Second
	weakFactor = 1.5
)

// fit puts the line through the sums.
func (c *Curve) fit() {
	d := c.N*c.XX - c.X*c.X
	c.LossS = 0
	if d > 1e-9 {
		c.LossS = max(0, -(c.N*c.XY-c.X*c.Y)/d)
	}
	c.RiseCS = (c.Y + c.LossS*c.X) / max(c.N, 1)
}

// slopeAt is the rise in °C/s at full power on a weak day.
func (c *Curve) slopeAt(tempC float64) float64 {
	return weakPower*(c.RiseCS-c.LossS*fittedC) - c.LossS*(tempC-coldRoomC)
}

// within is how long the heater may take to rise from a temperature by so much;
// false when the curve does not say.
func (c *Curve) within(fromC, byC float64, k *class) (time.Duration, bool) {
	if c == nil || c.HeatUps < trustedAfter || fromC+byC > c.TopC {
		return 0, false
	}
	slope := c.slopeAt(fromC + byC)
	if !(slope > 0) {
		return 0, false
	}
	limit := seconds(c.DeadS+weakFactor*byC/slope) + reportLag
	if limit > 2*k.riseIn {
		return 0, false
	}
	return max(limit, k.fitLeast), true
}

// heatUp collects one heat-up of one heater.
type heatUp struct {
	on     bool
	setAt  time.Time
	startC float64
	rose   bool    // the first degrees are behind it: heat is arriving
	deadS  float64 // until then
	lastAt time.Time
	lastC  float64
	n      int
	x, y   float64
	xx, xy float64
	topC   float64
}

// risen is the rise after which the dead time is over.
const risenC = 2.0

// add takes a report of a heater that is far below its target. paceS turns real
// seconds into the heater's own.
func (u *heatUp) add(k *class, at time.Time, c float64, pace float64) {
	if !u.on {
		return
	}
	if !u.rose {
		if c >= u.startC+risenC {
			u.rose, u.deadS = true, at.Sub(u.setAt).Seconds()*pace
			u.lastAt, u.lastC = at, c
		}
		return
	}
	dt := at.Sub(u.lastAt).Seconds() * pace
	if dt < k.slopeS {
		return
	}
	if dt > 5*k.slopeS {
		u.on = false // reports were missed: what happened meanwhile is not known
		return
	}
	slope, mid := (c-u.lastC)/dt, (c+u.lastC)/2
	u.n++
	u.x, u.y, u.xx, u.xy = u.x+mid, u.y+slope, u.xx+mid*mid, u.xy+mid*slope
	u.lastAt, u.lastC, u.topC = at, c, max(u.topC, c)
}

// learn adds a heat-up that has reached its target; false when it was too short
// to say anything.
func (u *heatUp) learn(k *class, c *Curve) bool {
	if !u.on || u.n < 4 || u.topC-u.startC < k.learnC {
		return false
	}
	// Older heat-ups count less each time.
	c.N, c.X, c.Y, c.XX, c.XY = c.N*forgetting, c.X*forgetting, c.Y*forgetting, c.XX*forgetting, c.XY*forgetting
	c.N, c.X, c.Y, c.XX, c.XY = c.N+float64(u.n), c.X+u.x, c.Y+u.y, c.XX+u.xx, c.XY+u.xy
	c.TopC = max(c.TopC, u.topC)
	c.HeatUps = min(c.HeatUps+1, 1000)
	c.fit()
	dead := max(0, u.deadS-risenC/max(c.RiseCS-c.LossS*u.startC, 1e-3))
	if c.HeatUps == 1 {
		c.DeadS = dead
	} else {
		c.DeadS += (dead - c.DeadS) * (1 - forgetting)
	}
	return true
}
