package sim

import "time"

// reset restarts the board: everything that is under way is lost.
func (b *board) reset(why string) {
	if b.end == closing {
		return
	}
	b.end, b.resetWhy = resetting, why
}

// boot brings the firmware up, or up again.
func (b *board) boot() {
	b.rest = b.steps.where(b.rest, b.now)
	b.steps.clear()
	b.tr.lose(nothing)
	for i := range b.heat {
		b.heat[i].off()
	}
	b.flushRx()
	b.urgent = b.urgent[:0]
	b.qHead, b.qN, b.lastN = 0, 0, 0
	b.send() // what is out by now is out
	b.tx, b.say = b.tx[:0], b.say[:0]
	b.cancelHeat, b.userGo, b.stopPending, b.answer = false, false, false, -1
	b.hangTill = 0
	b.panel, b.deaf, b.moving = nil, false, false
	b.inCmd, b.quiet, b.heatWaiting = false, false, false
	b.busyEvery, b.busyWord = 2*time.Second, "processing"
	b.tempEvery, b.posEvery = 0, 0
	b.busyAt, b.waitAt, b.tempAt, b.posAt = never, never, never, never
	b.at, b.rest = [4]float64{}, [4]float64{}
	b.relXYZ, b.relE, b.unitMM, b.feedMMs, b.feedPct, b.flowPct = false, false, 1, 25, 100, 100
	if b.m.family == FamilyE {
		b.feedMMs = firstFeedE
	}
	b.homed, b.softEnds, b.coldOK, b.coldC = false, true, false, 170
	b.sensorOn, b.runoutDue, b.inRunout, b.promptOpen = b.m.runout, false, false, false
	b.moves, b.asked, b.waitTemp, b.mute, b.bootAt = 0, [4]float64{}, false, false, b.now
	b.limits = b.o.Limits
	b.steps.pace.SetLimits(b.limits)
	b.heatAt = never
	b.heatSoon()
	b.boots++
	if b.boots == 1 {
		b.note("boot")
	} else {
		b.note("reset " + b.resetWhy)
	}
	if b.byteTime > 0 && b.chunk != nil {
		// A serial chip that is not set up yet hears nothing.
		b.dropChunk()
		b.partBad = 0
	}
	b.end = running
	if b.o.BootDelay > 0 {
		for till := b.now + b.o.BootDelay; b.now < till && b.end == running; {
			b.pass(till)
		}
		b.flushRx()
		if b.end != running {
			return
		}
	}
	b.greet()
	if b.m.waits {
		b.waitAt = b.now + time.Second
	}
}

// halt stops everything until a reset.
func (b *board) halt(why string) {
	b.steps.clear()
	b.tr.lose(nothing)
	for i := range b.heat {
		b.heat[i].off()
	}
	b.put("Error:Printer halted. kill() called!")
	if b.m.actions {
		b.put("//action:poweroff")
	}
	b.busyAt, b.waitAt, b.tempAt, b.posAt = never, never, never, never
	b.note("halt " + why)
	b.end = halted
}
