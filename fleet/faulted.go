package fleet

import "undercroft/fleet/link"

// What a person does after the firmware has stopped itself.
const afterHalt = "Go to the machine: make sure that nothing is too hot, jammed or loose; switch it off and on; then take it back"

// fault is the way to faulted.
func (l *loop) fault(why string) Phase {
	l.hangUp()
	return l.to(Faulted, why)
}

// faulted waits for a person. The port is closed: most boards restart when it
// is opened, and that must not happen before somebody has looked. When the path
// vanishes the machine was switched off, and with it its heaters.
func (l *loop) faulted() Phase {
	l.hangUp()
	l.owedFault = ""
	there := l.f.o.PathThere(l.spec.Path)
	for {
		select {
		case <-l.tick.C:
			now := l.f.o.PathThere(l.spec.Path)
			if there && !now {
				l.owe(nil)
				return l.to(Absent, "it was switched off after a fault: "+l.why)
			}
			there = now
		case r := <-l.p.requests:
			l.took(r)
			switch r.verb {
			case doTakeBack:
				r.answer(nil, nil)
				l.settleFails = 0
				return l.to(Absent, "taken back after a fault; opening the port")
			case doCool, doEmergency:
				l.refuse(r, ErrNoLink, "it is faulted and its port is closed: %s. If it may be hot, switch it off at the plug", l.why)
			default:
				l.refuse(r, ErrNotNow, "it is faulted: %s", l.why)
			}
		case <-l.quit:
			return l.leave()
		}
	}
}

// silentAdvice is what a person does when the firmware does not answer.
func silentAdvice(c link.Cause) string {
	if c == link.CauseRebooted {
		return "It restarted by itself and has lost its position; its heaters are off unless it says otherwise. Check its supply and cable, then take it back"
	}
	return "Go to the machine: it may be hot. If it does not react at its own panel, switch it off at the plug; then take it back"
}
