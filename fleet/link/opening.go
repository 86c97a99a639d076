package link

import (
	"bytes"
	"maps"
	"strconv"
	"strings"
	"time"
)

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// openNext takes the next step of getting to know the firmware.
func (e *engine) openNext(now time.Time) {
	step := e.openStep
	e.openStep++
	switch step {
	case 0:
		e.own = append(e.own, ownLine{slotIdentify, "M115"})
	case 1:
		if !e.named && e.openTries < 3 {
			e.openTries++
			e.openStep = 0
			e.openNext(now)
			return
		}
		e.openTries = 0
		e.probe(now)
	case 2:
		e.own = append(e.own, ownLine{slotSettings, "M503"})
	case 3:
		e.own = append(e.own, ownLine{slotPoll, "M105"})
	case 4:
		if e.o.ReportEvery > 0 && e.ident.Caps["AUTOREPORT_TEMP"] {
			s := max(1, int64(e.o.ReportEvery/time.Second))
			e.own = append(e.own, ownLine{slotReport, "M155 S" + itoa(s)})
			e.reporting = true
			return
		}
		e.openNext(now)
	case 5:
		e.settled = e.head
		e.own = append(e.own, ownLine{slotPosition, "M114"})
	default:
		e.ready(now)
	}
}

// ready ends the opening: what was learned decides how lines will be sent.
func (e *engine) ready(now time.Time) {
	e.emergency = e.ident.Caps["EMERGENCY_PARSER"]
	e.window = 0
	if e.checks {
		e.window = defaultWindow
		if e.o.WindowBytes > 0 {
			e.window = min(e.o.WindowBytes, 1024)
		}
		e.family = "a"
	} else {
		e.family = "e"
	}
	e.pollAt = now.Add(e.o.ReportEvery)
	e.phase = Idle
	e.changed = true
}

// onCap reads 'Cap:NAME:0' or '1'.
func (e *engine) onCap(line []byte) {
	parts := bytes.Split(line, []byte{':'})
	if len(parts) != 3 || len(e.ident.Caps) > 256 {
		return
	}
	// Copies of State that others hold share the map.
	caps := maps.Clone(e.ident.Caps)
	caps[string(parts[1])] = string(parts[2]) == "1"
	e.ident.Caps = caps
}

// identify reads 'FIRMWARE_NAME:… PROTOCOL_VERSION:… EXTRUDER_COUNT:…'.
func (e *engine) identify(line []byte) {
	s := string(line)
	e.ident.Firmware = field(s, "FIRMWARE_NAME:")
	e.ident.Protocol = field(s, "PROTOCOL_VERSION:")
	if n, err := strconv.Atoi(field(s, "EXTRUDER_COUNT:")); err == nil && n >= 0 && n < 100 {
		e.ident.Extruders = n
	}
	e.changed = true
}

// field takes what follows a key up to the next 'KEY:'.
func field(s, key string) string {
	i := strings.Index(s, key)
	if i < 0 {
		return ""
	}
	s = s[i+len(key):]
	for j := 0; j < len(s); j++ {
		if s[j] != ' ' {
			continue
		}
		word, _, _ := strings.Cut(s[j+1:], " ")
		k, _, found := strings.Cut(word, ":")
		if found && k != "" && strings.ToUpper(k) == k && k[0] >= 'A' && k[0] <= 'Z' {
			return strings.TrimSpace(s[:j])
		}
	}
	return strings.TrimSpace(s)
}

// learnSteps takes the steps per millimetre from a settings line: 'M92 X80.00 …'.
func (e *engine) learnSteps(line []byte) {
	i := bytes.Index(line, []byte("M92 "))
	if i < 0 {
		return
	}
	for axis, letter := range []byte("XYZE") {
		if v, ok := word(line[i+4:], letter); ok && v > 0 && v < 100000 && v != e.track.steps[axis] {
			e.track.steps[axis], e.track.proved[axis] = v, false
		}
	}
}

func (e *engine) hello(now time.Time) {
	e.out = append(e.out, '\n')
	e.bytesOut++
	e.lastWrite = now
	e.enter(now, dClear, 150*time.Millisecond)
}

func (e *engine) helloAgain(now time.Time) {
	if now.Sub(e.openAt) > e.o.OpenFor && !e.alive(now) {
		if e.bytesIn == 0 {
			e.fail(now, CauseSilent, "nothing answers on this port: check the cable, the printer's switch, and the baud rate")
		} else {
			e.fail(now, CauseSilent, "something answers on this port, but not as printer firmware does: check the baud rate")
		}
		return
	}
	if e.alive(now) && e.dlg.tries < 5 {
		// It is busy with what somebody else began: our line waits in its queue.
		e.dlg.tries++
		e.enter(now, dHello, 2*time.Second)
		return
	}
	e.dlg.tries = 0
	e.hello(now)
}

// probe sends a line with a number far ahead: a firmware that checks numbers
// asks for the one it wants and runs nothing, the others answer the M105.
func (e *engine) probe(now time.Time) {
	e.openTries++
	if e.openTries > 8 {
		// It says neither: assume the worst, one line at a time.
		e.checks = false
		e.enter(now, dNone, 0)
		return
	}
	e.raw(now, e.head+e.shift+farAhead, "M105")
	e.dlg = dialogue{asked: e.dlg.asked, proofs: e.dlg.proofs}
	e.enter(now, dProbe, time.Second)
}
