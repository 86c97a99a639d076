package sim

import "time"

// step lets time pass until the next thing happens, at most until `until`. It
// is false when the firmware is no longer running: a handler then returns at
// once.
func (b *board) step(until vt) bool {
	if b.end != running {
		return false
	}
	b.pass(until)
	b.settle()
	return b.end == running
}

// settle is what every wait of the firmware does besides waiting: read lines
// into the queue, and obey a quick stop.
func (b *board) settle() {
	if b.end == running {
		b.intake()
	}
	if b.stopPending && b.end == running {
		b.stopPending = false
		b.quickStop()
	}
}

// pass lets one event happen that is due, or waits for one.
func (b *board) pass(until vt) {
	b.fetch()
	if b.turns++; b.turns%256 == 0 {
		b.glance()
	}
	hard := min(until, b.nextByte(), b.nextReport(), b.partTill)
	soft := min(b.steps.next(), b.heatAt, b.nextFault())
	v := b.clk.now()
	lead := vt(0)
	if b.steps.full() {
		lead = b.lead // somebody may wait for the room
	}
	if next := min(hard, soft); next <= v+lead {
		b.now = max(b.now, next)
		b.happen()
		return
	}
	b.now = max(b.now, v)
	if f := b.todo; f != nil {
		b.todo = nil
		f()
		return
	}
	if soft < hard {
		hard = max(soft, v+b.clk.virtual(lookGap))
		hard = min(hard, until, b.nextByte(), b.nextReport(), b.partTill)
	}
	b.block(hard)
}

// happen does everything that is due at now.
func (b *board) happen() {
	for b.steps.next() <= b.now {
		if b.steps.running {
			b.moved()
			// The main loop may have a move for the slot that has just become free:
			// it goes first, as it does on the board.
			break
		}
		b.steps.start(b.steps.startsAt)
	}
	if b.heatAt <= b.now {
		b.heatTick()
	}
	b.reports()
	b.pump()
	if b.nextFault() <= b.now {
		b.fireEvents()
	}
	if b.partTill <= b.now {
		b.givePartUp()
	}
}

// fineTimer is there when bytes are timed on a line in real time.
func (b *board) fineTimer() *fineTimer {
	if b.byteTime == 0 || b.line == nil || !b.line.realTime() {
		return nil
	}
	if b.fine == nil && !b.fineTried {
		b.fine, b.fineTried = newFineTimer(), true
	}
	return b.fine
}

// block waits in real time until the virtual time `until`, or until something
// comes in.
func (b *board) block(until vt) {
	b.send()
	if len(b.tx) > 0 {
		until = min(until, b.nextOut())
	}
	if len(b.tr.buf) > 0 {
		left := traceFlush - time.Since(b.tr.dirty)
		if left <= 0 {
			b.tr.flush()
		} else {
			until = min(until, b.clk.now()+b.clk.virtual(left))
		}
	}
	in := b.in
	if b.chunk != nil {
		in = nil
	}
	var tick <-chan time.Time
	var fine <-chan struct{}
	if until != never {
		d := until - b.clk.now()
		if d <= 0 {
			return
		}
		wait := b.clk.real(d)
		if t := b.fineTimer(); t != nil {
			t.set(wait)
			fine = t.c
		} else {
			b.timer.Reset(wait)
			tick = b.timer.C
		}
	}
	var writable, opened <-chan struct{}
	if b.line != nil {
		opened = b.line.opened()
		if b.txStuck {
			writable = b.line.writable()
		}
	}
	select {
	case a, ok := <-in:
		b.took(a, ok)
	case b.todo = <-b.ctl:
	case <-tick:
	case <-fine:
	case <-writable:
	case <-opened:
		l := b.line
		b.todo = func() {
			if b.o.ResetOnOpen {
				b.tx = b.tx[:0]
				b.reset("External Reset")
			}
			l.noticed()
		}
	case <-b.quit:
		b.end = closing
	}
}

// glance looks for a request and for the end while there is no time to wait.
func (b *board) glance() {
	select {
	case f := <-b.ctl:
		f()
	case <-b.quit:
		b.end = closing
	default:
	}
}
