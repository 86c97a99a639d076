package fleet

import "undercroft/fleet/link"

// lend is the way to lent.
func (l *loop) lend(by string) Phase {
	l.dropErrand()
	l.lentBy = by
	if by == "person" {
		return l.to(Lent, "nothing is sent to it until it is taken back")
	}
	return l.to(Lent, "somebody else drives it ("+by+"). When it is free: cool it if it need not stay hot, then take it back")
}

// lent leaves the machine alone: temperatures are read, nothing is commanded
// but what a person asks for (cool).
func (l *loop) lent() Phase {
	for {
		select {
		case <-l.news():
			l.looked()
			l.look()
		case <-l.rest.C:
			l.idle = false
		case <-l.tick.C:
			l.look()
		case <-l.back():
			l.received()
		case r := <-l.p.requests:
			l.took(r)
			switch r.verb {
			case doTakeBack:
				if l.c == nil {
					r.answer(nil, nil)
					return l.to(Absent, "taken back; opening the port")
				}
				if hot := l.targets(); len(hot) > 0 {
					l.refuse(r, ErrLent, "its heaters are still on; end what it is doing, or cool it, then take it back")
					break
				}
				r.answer(nil, nil)
				return l.to(Settling, "taken back; asking what it is doing")
			case doEmergency:
				if l.c == nil {
					l.refuse(r, ErrNoLink, "there is no link to it. Switch it off at the plug")
					break
				}
				return l.emergencyBy(r)
			case doCool:
				l.coolFor(r, Lent)
			case doLend:
				l.lentBy, l.why = "person", "nothing is sent to it until it is taken back"
				l.publish()
				r.answer(nil, nil)
			default:
				l.refuse(r, ErrLent, "it is lent (%s); take it back first", l.lentBy)
			}
		case <-l.quit:
			return l.leave()
		}
		if l.c != nil && (l.st.Phase == link.Failed || l.st.Phase == link.Closed) {
			l.dropErrand()
			l.hangUp()
			l.why = "its link is gone and is opened again when it is taken back"
			l.publish()
		}
	}
}
