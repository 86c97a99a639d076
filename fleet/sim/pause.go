package sim

import (
	"time"
)

// Times of the recorded filament change.
const (
	parkQuiet   = 5630 * time.Millisecond  // no busy line while the filament is freed
	unloadTakes = 17260 * time.Millisecond // from the park position to the prompt
	loadTakes   = 16770 * time.Millisecond // one purge
	nozzleOff   = 45 * time.Second         // nobody came: the nozzle is turned off
	parkLiftMM  = 10
	parkPullMM  = 2
	runoutMM    = 2 // printed on after the sensor ran empty
)

// prompt shows a question on the host's side.
func (b *board) prompt(text string, buttons ...string) {
	b.put("//action:prompt_end")
	b.put("//action:prompt_begin " + text)
	for _, s := range buttons {
		b.put("//action:prompt_button " + s)
	}
	b.put("//action:prompt_show")
	b.promptOpen = true
}

func (b *board) promptEnd() {
	b.put("//action:prompt_end")
	b.promptOpen = false
}

// waitGo waits for M108, or for an answer to a prompt with one button, at most
// until `until`; it says whether somebody came.
func (b *board) waitGo(until vt) bool {
	b.userGo, b.answer = false, -1
	b.busyWord = "paused for user"
	defer func() { b.busyWord = "processing" }()
	for b.now < until && b.end == running {
		b.pass(until)
		if b.userGo || b.answer >= 0 {
			return true
		}
		// The line that let go stays in the receive buffer until the next command.
		b.settle()
	}
	return false
}

// waitAnswer waits for M876 alone.
func (b *board) waitAnswer() int {
	b.answer = -1
	b.busyWord = "paused for user"
	defer func() { b.busyWord = "processing" }()
	for b.answer < 0 {
		if !b.step(never) {
			return -1
		}
	}
	return b.answer
}

// waitForUser is M0 and M1.
func (b *board) waitForUser(w *words) {
	if !b.sync() {
		return
	}
	until := never
	if w.has('P') || w.has('S') {
		until = b.now + vt(w.get('P', 0)*1e6) + vt(w.get('S', 0)*1e9)
	}
	text := "M0 Stop"
	if w.code == 1 {
		text = "M1 Stop"
	}
	if until == never && len(w.arg) > 0 {
		text = string(w.arg)
		b.put("echo:" + text + "\r")
	}
	b.prompt(text, "Continue")
	b.waitGo(until)
	b.promptOpen = false
}

// runOut is what the firmware does by itself when the sensor has been empty for
// long enough: tell the host, end the planned moves, and change the filament.
func (b *board) runOut() {
	b.runoutDue, b.inRunout = false, true
	defer func() { b.inRunout, b.outSince = false, b.filament }()
	b.note("runout")
	b.put("//action:prompt_end")
	b.put("//action:prompt_begin FilamentRunout T0")
	b.put("//action:prompt_show")
	b.promptOpen = true
	b.put("//action:paused filament_runout 0")
	if !b.sync() {
		return
	}
	b.beginCmd()
	b.changeFilament()
	b.endCmd()
	if b.end == running {
		b.ok(&slot{number: -1}) // nobody asked for it
	}
}

// own plans a move of the firmware itself.
func (b *board) own(to [4]float64, feedMMs float64) bool {
	b.plan(to, to[3]-b.at[3], feedMMs, -1, false)
	return b.sync()
}

// changeFilament is M600 and the runout: park, free the filament, wait, load,
// wait, go back and on.
func (b *board) changeFilament() {
	b.put("//action:paused")
	if !b.promptOpen {
		b.prompt("Pause", "Dismiss")
	}
	if !b.sync() {
		return
	}
	from := b.at
	up := from
	up[3] -= parkPullMM
	if !b.own(up, 25) {
		return
	}
	up[2] = min(up[2]+parkLiftMM, b.o.VolumeMM[2])
	if !b.own(up, 5) {
		return
	}
	park := [4]float64{10, b.o.VolumeMM[1] - 10, up[2], up[3]}
	if !b.own(park, 100) {
		return
	}
	b.position(b.at)
	b.quiet = true
	ok := b.dwell(parkQuiet)
	b.quiet = false
	if !ok {
		return
	}
	b.busyAt = b.now
	if !b.dwell(unloadTakes - parkQuiet) {
		return
	}
	nozzleC := b.heat[0].targetC
	reheated, ok := b.awaitFilament(nozzleC)
	if !ok {
		return
	}
	for {
		if !b.dwell(loadTakes) {
			return
		}
		b.prompt("Paused", "PurgeMore", "Continue")
		a := b.waitAnswer()
		if b.end != running {
			return
		}
		if a != 0 {
			break
		}
	}
	b.promptEnd()
	if !reheated {
		b.waitHeat(0, true)
	}
	if b.end != running {
		return
	}
	back := b.at
	back[0], back[1] = from[0], from[1]
	if !b.own(back, 100) {
		return
	}
	back[2] = from[2]
	if !b.own(back, 5) {
		return
	}
	back[3] = from[3]
	if !b.own(back, 25) {
		return
	}
	b.put("//action:resumed")
	b.prompt("Resuming", "Dismiss")
}

// awaitFilament waits until somebody says that new filament is in. Nobody for
// 45 s turns the nozzle off, which has to be heated again first.
func (b *board) awaitFilament(nozzleC float64) (reheated, ok bool) {
	b.put("echo:Insert filament and send M108")
	b.prompt("Nozzle Parked", "Continue")
	if b.waitGo(b.now + nozzleOff) {
		return false, true
	}
	if b.end != running {
		return false, false
	}
	b.heat[0].aim(0, b.now)
	b.note("target T0 0.0")
	b.put("echo:Send M108 to heat nozzle")
	b.prompt("Heater Timeout", "Reheat")
	if !b.waitGo(never) {
		return false, false
	}
	b.prompt("Reheating...")
	b.busyWord = "paused for user"
	b.heat[0].aim(nozzleC, b.now)
	b.heatSoon()
	for b.heat[0].reads() < nozzleC-b.heat[0].windowC {
		if !b.step(b.now + heatStep) {
			return false, false
		}
	}
	b.put("echo:Insert filament and send M108")
	b.prompt("Reheat Done", "Continue")
	if !b.waitGo(never) {
		return false, false
	}
	return true, true
}
