package sim

import (
	"math"
	"time"
)

// heater is one heated mass with a sensor that lags behind it. Figures fitted
// by hand to the recorded heat-ups and cool-downs (40 W nozzle, 250 W bed): good
// to a few degrees in two minutes.
type heater struct {
	name     string // as the error lines name it
	powerW   float64
	capJK    float64 // heat capacity
	lossWK   float64 // to the room, per degree above it
	lagS     float64 // of the sensor
	bangBang bool    // full on or off, looked at each bangEvery; else PID
	maxC     float64 // highest target; higher ones are clamped
	upperC   float64 // the firmware halts above
	windowC  float64 // heat-and-wait: near enough
	guardC   float64 // runaway: this far below the target is too cold
	guard    vt      // runaway: for this long

	massC, readC float64
	targetC      float64
	duty         float64 // 0…1
	integral     float64
	lastC        float64
	lookAt       vt // next look of the bang-bang control

	dead        bool // heats no more, whatever the firmware does
	open, short bool // sensor
	badSince    vt   // since when the sensor reads nonsense, 0 when it does not

	watchC    float64 // must be reached by watchTill; 0 when not watched
	watchTill vt
	stable    bool // the target was reached
	coldTill  vt   // runaway at this time unless it gets warm enough before
}

const (
	heatStep    = 164 * time.Millisecond // of the control loop
	bangEvery   = 5 * time.Second
	watchFor    = 60 * time.Second
	watchRiseC  = 2
	sensorGrace = 200 * time.Millisecond
	openReadsC  = -15
	shortReadsC = 999
)

func newNozzle(maxC float64) heater {
	return heater{name: "E0", powerW: 40, capJK: 14.4, lossWK: 0.137, lagS: 2, maxC: maxC, upperC: maxC + 15,
		windowC: 1, guardC: 4, guard: 40 * time.Second}
}

func newBed(maxC float64) heater {
	return heater{name: "bed", powerW: 250, capJK: 300, lossWK: 1.54, lagS: 1.5, bangBang: true, maxC: maxC, upperC: maxC + 10,
		windowC: 1, guardC: 1, guard: 20 * time.Second}
}

// settle puts the heater at the temperature of the room, off.
func (h *heater) settle(roomC float64) {
	h.massC, h.readC, h.lastC = roomC, roomC, roomC
	h.off()
}

func (h *heater) off() {
	h.targetC, h.duty, h.integral = 0, 0, 0
	h.watchC, h.stable = 0, false
}

// aim sets a target at now and says what it was clamped to.
func (h *heater) aim(c float64, now vt) {
	c = math.Max(0, math.Min(c, h.maxC))
	if c == h.targetC {
		return
	}
	h.targetC, h.stable, h.watchC = c, false, 0
	if c == 0 {
		h.off()
		return
	}
	h.watch(now)
}

// watch starts the supervision of a rise; near the target there is none, and
// none yet that it is held: a gap that the recorded firmware has.
func (h *heater) watch(now vt) {
	if h.targetC-h.readC > watchRiseC+4 {
		h.watchC, h.watchTill = h.readC+watchRiseC, now+watchFor
	} else {
		h.watchC = 0
	}
}

// reads is what the firmware believes.
func (h *heater) reads() float64 {
	switch {
	case h.open:
		return openReadsC
	case h.short:
		return shortReadsC
	}
	return h.readC
}

// step moves the heater by dt of virtual time and lets the control loop look.
func (h *heater) step(dt vt, now vt, roomC float64) {
	s := dt.Seconds()
	w := 0.0
	if !h.dead {
		w = h.duty * h.powerW
	}
	h.massC += (w - h.lossWK*(h.massC-roomC)) * s / h.capJK
	h.readC += (h.massC - h.readC) * (1 - math.Exp(-s/h.lagS))
	h.control(s, now)
}

// control chooses the duty. The PID gains are those that the settings report
// shows, on the firmware's scale of 255, within 10 degrees of the target.
func (h *heater) control(s float64, now vt) {
	if h.targetC == 0 {
		h.duty = 0
		return
	}
	t := h.reads()
	if h.bangBang {
		if now >= h.lookAt {
			h.lookAt = now - now%bangEvery + bangEvery
			h.duty = 0
			if t < h.targetC {
				h.duty = 1
			}
		}
		return
	}
	const kp, ki, kd, full = 22.2, 1.08, 114.0, 255.0
	e := h.targetC - t
	slope := (t - h.lastC) / math.Max(s, 1e-9)
	h.lastC = t
	switch {
	case e > 10:
		h.duty, h.integral = 1, 0
	case e < -10:
		h.duty, h.integral = 0, 0
	default:
		h.integral = math.Max(0, math.Min(full/ki, h.integral+e*s))
		h.duty = math.Max(0, math.Min(1, (kp*e+ki*h.integral-kd*slope)/full))
	}
}

// fault is what the firmware's own protection says now, "" while all is well.
type heatFault string

const (
	heatOK      heatFault = ""
	heatFailed  heatFault = "Heating failed"
	heatRunaway heatFault = "Thermal Runaway"
	heatMin     heatFault = "MINTEMP triggered"
	heatMax     heatFault = "MAXTEMP triggered"
)

// protect is the firmware's supervision of this heater at now.
func (h *heater) protect(now vt) heatFault {
	t := h.reads()
	tooHigh := t > h.upperC
	tooLow := t < 0
	if tooHigh || tooLow {
		if h.badSince == 0 {
			h.badSince = now
		}
		if now-h.badSince >= sensorGrace {
			if tooHigh {
				return heatMax
			}
			// A sensor that reads nothing is looked at only with a target.
			if h.targetC > 0 {
				return heatMin
			}
		}
		return heatOK
	}
	h.badSince = 0
	if h.targetC == 0 {
		return heatOK
	}
	if h.watchC > 0 {
		switch {
		case t >= h.watchC:
			h.watch(now)
		case now >= h.watchTill:
			return heatFailed
		}
	}
	switch {
	case t >= h.targetC:
		h.stable, h.coldTill = true, now+h.guard
	case h.stable && t >= h.targetC-h.guardC:
		h.coldTill = now + h.guard
	case h.stable && now >= h.coldTill:
		return heatRunaway
	}
	return heatOK
}

// active says whether time passes for it in a way that somebody must follow.
func (h *heater) active(roomC float64) bool {
	return h.targetC > 0 || h.open || h.short || math.Abs(h.massC-roomC) > 0.05 || math.Abs(h.readC-roomC) > 0.05
}
