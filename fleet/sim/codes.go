package sim

import (
	"bytes"
	"fmt"
	"math"
	"time"
)

// mCode handles the M commands of families a to d.
func (b *board) mCode(w *words) reply {
	switch w.code {
	case 17, 85, 111, 120, 121, 149, 200, 206, 301, 304, 500, 501, 502:
		// Taken without a word and without a consequence here.
	case 0, 1:
		if !b.m.actions {
			return b.unknown(w)
		}
		b.waitForUser(w)
	case 18, 84:
		b.sync()
	case 82:
		b.relE = false
	case 83:
		b.relE = true
	case 92, 201, 203, 204, 205:
		b.setLimits(w)
	case 104:
		b.aim(0, w)
	case 105:
		if !b.m.receipt {
			b.say = append(b.say, "ok "...)
		}
		b.temperatures()
		b.emit()
		return replyDone
	case 106, 107:
	case 108:
		b.cancelHeat = true
	case 109:
		b.aim(0, w)
		b.waitHeat(0, w.has('R'))
	case 110:
		b.setNumber(w)
	case 112:
		b.emergencyStop()
	case 113:
		if w.has('S') {
			b.busyEvery = vt(w.get('S', 0) * 1e9)
		}
	case 114:
		b.position(b.at)
	case 115:
		b.identify()
	case 117:
		if b.m.actions {
			b.put("//action:notification " + string(w.arg))
		}
	case 118:
		b.say = append(b.say, w.arg...)
		b.put("\r")
	case 119:
		b.put("Reporting endstop status")
		b.put("x_min: open")
		b.put("y_min: open")
		b.put("z_min: open")
	case 140:
		b.aim(1, w)
	case 154:
		if !b.m.actions {
			return b.unknown(w)
		}
		b.posEvery, b.posAt = b.every(w)
	case 155:
		b.tempEvery, b.tempAt = b.every(w)
	case 190:
		b.aim(1, w)
		b.waitHeat(1, w.has('R'))
	case 211:
		if w.has('S') {
			b.softEnds = w.get('S', 1) != 0
		} else {
			b.put(fmt.Sprintf("  M211 S%d ; %s", b2i(b.softEnds), map[bool]string{true: "ON", false: "OFF"}[b.softEnds]))
			v := b.o.VolumeMM
			b.put(fmt.Sprintf("  Min:  X0.00 Y0.00 Z0.00   Max:  X%.2f Y%.2f Z%.2f", v[0], v[1], v[2]))
		}
	case 220:
		if f := w.get('S', 100); f > 0 {
			b.feedPct = f
		}
	case 221:
		b.flowPct = w.get('S', b.flowPct)
	case 302:
		b.coldExtrusion(w)
	case 400:
		b.sync()
	case 410:
		if !b.m.urgent {
			b.quickStop()
		}
	case 412:
		if !b.m.runout {
			return b.unknown(w)
		}
		b.sensorOn = w.get('S', 1) != 0
	case 503:
		b.settings()
	case 600:
		if !b.m.actions {
			return b.unknown(w)
		}
		b.changeFilament()
	case 876:
		if !b.m.actions {
			return b.unknown(w)
		}
	case 999:
		b.flushRx()
		b.say = fmt.Appendf(b.say, b.m.ask, b.lastN+1)
		b.emit()
		b.put("ok")
	default:
		return b.unknown(w)
	}
	return replyOK
}

func b2i(v bool) int {
	if v {
		return 1
	}
	return 0
}

// every reads the S of an auto-report command.
func (b *board) every(w *words) (every, at vt) {
	s := w.get('S', 0)
	if s <= 0 {
		return 0, never
	}
	every = vt(s * 1e9)
	return every, b.again(every)
}

// aim sets a heater's target from S or R.
func (b *board) aim(i int, w *words) {
	if !w.has('S') && !w.has('R') {
		return
	}
	c := w.get('S', w.get('R', 0))
	h := &b.heat[i]
	before := h.targetC
	h.aim(c, b.now)
	if h.targetC != before {
		b.note(fmt.Sprintf("target %s %.1f", [2]string{"T0", "B"}[i], h.targetC))
	}
	b.heatSoon()
}

// waitHeat holds the line until the heater is at its target, and stays there
// for ten seconds; without cool it does not wait for a heater that is too hot.
func (b *board) waitHeat(i int, cool bool) {
	h := &b.heat[i]
	if h.targetC == 0 || !cool && h.reads() > h.targetC {
		return
	}
	const residency = 10 * time.Second
	var since vt = -1
	b.cancelHeat = false
	b.heatWaiting = true
	defer func() { b.heatWaiting = false }()
	line := b.now
	if b.tempEvery > 0 {
		line = b.now + time.Second
	}
	first := true
	for !b.cancelHeat {
		if b.now >= line {
			b.say = append(b.say, ' ')
			b.temperatures()
			if since < 0 {
				b.put(" W:?")
			} else {
				b.put(fmt.Sprintf(" W:%d", max(0, int((since+residency-b.now)/time.Second))))
			}
			line = b.again(time.Second)
		}
		switch d := math.Abs(h.reads() - h.targetC); {
		case since < 0 && d < h.windowC:
			since = b.now
			if first {
				since += residency / 3
			}
		case since >= 0 && d > 3:
			since = -1
		}
		if since >= 0 && b.now >= since+residency {
			return
		}
		first = false
		if !b.step(max(min(line, b.heatAt), b.now+heatStep/2)) {
			return
		}
	}
	b.cancelHeat = false
}

func (b *board) coldExtrusion(w *words) {
	if !w.has('P') && !w.has('S') {
		word := "disabled"
		if b.coldOK || b.coldC == 0 {
			word = "enabled"
		}
		b.put(fmt.Sprintf("echo:Cold extrudes are %s (min temp %.0fC)", word, b.coldC))
		return
	}
	if w.has('S') {
		b.coldC = w.get('S', b.coldC)
	}
	if w.has('P') {
		b.coldOK = w.get('P', 0) != 0
	}
}

// setLimits is M92 M201 M203 M204 M205: from the next move on.
func (b *board) setLimits(w *words) {
	l := &b.limits
	axes := func(to *[4]float64) {
		for i, c := range [4]byte{'X', 'Y', 'Z', 'E'} {
			if v := w.get(c, 0); v > 0 {
				to[i] = v
			}
		}
	}
	switch w.code {
	case 92:
		axes(&l.StepsPerMM)
	case 201:
		axes(&l.MaxAccelMMs2)
	case 203:
		axes(&l.MaxFeedMMs)
	case 204:
		if v := w.get('S', 0); v > 0 {
			l.AccelPrintMMs2, l.AccelTravelMMs2 = v, v
		}
		l.AccelPrintMMs2 = w.get('P', l.AccelPrintMMs2)
		l.AccelRetractMMs2 = w.get('R', l.AccelRetractMMs2)
		l.AccelTravelMMs2 = w.get('T', l.AccelTravelMMs2)
	case 205:
		l.MinSegmentMS = w.get('B', l.MinSegmentMS*1000) / 1000
		l.MinFeedMMs = w.get('S', l.MinFeedMMs)
		l.MinTravelFeedMMs = w.get('T', l.MinTravelFeedMMs)
		if b.m.jerk {
			axes(&l.JerkMMs)
		} else if v := w.get('J', 0); v > 0 && v < 0.3 {
			l.JunctionDeviationMM = v
		}
	}
	b.steps.pace.SetLimits(*l)
}

// greet is the text of a boot.
func (b *board) greet() {
	if b.m.family == FamilyE {
		b.put("start")
		b.put("ok")
		return
	}
	b.put("start")
	if b.boots == 1 || b.resetWhy == "PowerUp" || b.m.family == FamilyA {
		b.put("PowerUp")
	} else {
		b.put(" " + b.resetWhy)
	}
	b.put("Firmware-" + string(bytes.ToUpper([]byte(b.m.family))) + " 1.0")
	b.put("echo: Last Updated: 2000-01-01 | Author: (none, default config)")
	b.put("echo: Compiled: Jan  1 2000")
	b.put("echo: Free Memory: 0  PlannerBufferBytes: 1472")
	if b.m.actions {
		b.put("echo:EEPROM version mismatch (EEPROM=? Firmware-A=V1)")
		b.put("//action:notification Err: EEPROM Version")
		b.put("//action:notification Hardcoded Default Settings Loaded")
		b.put("echo:Hardcoded Default Settings Loaded")
		b.put("//action:prompt_end")
		return
	}
	b.put("echo:Hardcoded Default Settings Loaded")
	b.settings()
}

// settings is the report of M503.
func (b *board) settings() {
	l := &b.limits
	b.put("echo:; Linear Units:")
	b.put("echo:  G21 ; (mm)")
	b.put("echo:; Temperature Units:")
	b.put("echo:  M149 C ; Units in Celsius")
	b.put("echo:; Filament settings (Disabled):")
	b.put("echo:  M200 S0 D1.75")
	axes := func(head string, v [4]float64) {
		b.put(fmt.Sprintf("echo:  %s X%.2f Y%.2f Z%.2f E%.2f", head, v[0], v[1], v[2], v[3]))
	}
	b.put("echo:; Steps per unit:")
	axes("M92", l.StepsPerMM)
	b.put("echo:; Max feedrates (units/s):")
	axes("M203", l.MaxFeedMMs)
	b.put("echo:; Max Acceleration (units/s2):")
	axes("M201", l.MaxAccelMMs2)
	b.put("echo:; Acceleration (units/s2) (P<print-accel> R<retract-accel> T<travel-accel>):")
	b.put(fmt.Sprintf("echo:  M204 P%.2f R%.2f T%.2f", l.AccelPrintMMs2, l.AccelRetractMMs2, l.AccelTravelMMs2))
	if b.m.jerk {
		b.put("echo:; Advanced (B<min_segment_time_us> S<min_feedrate> T<min_travel_feedrate> X<max_jerk> Y<max_jerk> Z<max_jerk> E<max_jerk>):")
		b.put(fmt.Sprintf("echo:  M205 B%.2f S%.2f T%.2f X%.2f Y%.2f Z%.2f E%.2f", l.MinSegmentMS*1000, l.MinFeedMMs, l.MinTravelFeedMMs,
			l.JerkMMs[0], l.JerkMMs[1], l.JerkMMs[2], l.JerkMMs[3]))
	} else {
		b.put("echo:; Advanced (B<min_segment_time_us> S<min_feedrate> T<min_travel_feedrate> J<junc_dev>):")
		b.put(fmt.Sprintf("echo:  M205 B%.2f S%.2f T%.2f J%.2f", l.MinSegmentMS*1000, l.MinFeedMMs, l.MinTravelFeedMMs, l.JunctionDeviationMM))
	}
	b.put("echo:; Home offset:")
	b.put("echo:  M206 X0.00 Y0.00 Z0.00")
	b.put("echo:; Hotend PID:")
	b.put("echo:  M301 P22.20 I1.08 D114.00")
	if b.m.runout {
		b.put("echo:; Filament load/unload:")
		b.put("echo:  M603 L0.00 U100.00 ; (mm)")
		b.put("echo:; Filament runout sensor:")
		b.put(fmt.Sprintf("echo:  M412 S%d D2.00 ; Sensor %s", b2i(b.sensorOn), map[bool]string{true: "ON", false: "OFF"}[b.sensorOn]))
	}
}

// capability is one Cap: line; full is its value with all options.
type capability struct {
	name       string
	plain, all int
}

var capabilities = []capability{
	{"SERIAL_XON_XOFF", 0, 0}, {"BINARY_FILE_TRANSFER", 0, 0}, {"EEPROM", 0, 1}, {"VOLUMETRIC", 1, 1},
	{"AUTOREPORT_POS", 0, 1}, {"AUTOREPORT_TEMP", 1, 1}, {"PROGRESS", 0, 0}, {"PRINT_JOB", 1, 1},
	{"AUTOLEVEL", 0, 0}, {"RUNOUT", 0, 1}, {"Z_PROBE", 0, 0}, {"LEVELING_DATA", 0, 0},
	{"BUILD_PERCENT", 0, 0}, {"SOFTWARE_POWER", 0, 0}, {"TOGGLE_LIGHTS", 0, 0}, {"CASE_LIGHT_BRIGHTNESS", 0, 0},
	{"EMERGENCY_PARSER", 0, 1}, {"HOST_ACTION_COMMANDS", 0, 1}, {"PROMPT_SUPPORT", 0, 1}, {"SDCARD", 0, 0},
	{"REPEAT", 0, 0}, {"SD_WRITE", 0, 0}, {"AUTOREPORT_SD_STATUS", 0, 0}, {"LONG_FILENAME", 0, 0},
	{"LFN_WRITE", 0, 0}, {"CUSTOM_FIRMWARE_UPLOAD", 0, 0}, {"EXTENDED_M20", 0, 0}, {"THERMAL_PROTECTION", 1, 1},
	{"MOTION_MODES", 0, 0}, {"ARCS", 1, 1}, {"BABYSTEPPING", 0, 0}, {"EP_BABYSTEP", 0, 0},
	{"CHAMBER_TEMPERATURE", 0, 0}, {"COOLER_TEMPERATURE", 0, 0}, {"MEATPACK", 0, 0}, {"CONFIG_EXPORT", 0, 0},
}

// identify is M115.
func (b *board) identify() {
	name := string(bytes.ToUpper([]byte(b.m.family)))
	b.put("FIRMWARE_NAME:Firmware-" + name + " 1.0 (Jan  1 2000 00:00:00) SOURCE_CODE_URL:example.invalid PROTOCOL_VERSION:1.0 " +
		"MACHINE_TYPE:Test machine KINEMATICS:Cartesian EXTRUDER_COUNT:1 UUID:00000000-0000-4000-8000-000000000000")
	for _, c := range capabilities {
		v := c.plain
		if b.m.actions {
			v = c.all
		}
		b.put(fmt.Sprintf("Cap:%s:%d", c.name, v))
	}
}
