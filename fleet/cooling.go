package fleet

import (
	"fmt"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
)

const (
	// defaultCoolBelowC: below this a plate and a nozzle do not burn at a touch.
	// The thresholds of common practice lie between 48 and 51 °C (ISO 13732-1,
	// from memory) for minutes of contact.
	defaultCoolBelowC = 45.0
	// A machine without temperature reports is given this long, house time.
	blindCooling = 30 * time.Minute
	// A machine that is never as cool as asked, in a hot room, is not waited for
	// any longer than this, house time.
	longestCooling = 4 * time.Hour
)

// cooling waits until what the last run heated is cool.
func (l *loop) cooling() Phase {
	began := l.now()
	below := l.spec.CoolBelowC
	if below <= 0 {
		below = defaultCoolBelowC
	}
	l.look()
	if len(l.targets()) > 0 {
		// The file left something on, or the newest report is older than its end.
		l.send(30*time.Second, heatersOff, func(err error) (Phase, bool) {
			l.look()
			if err == nil || l.st.Phase == link.Failed {
				return Cooling, false
			}
			return l.wontCool(err), true
		})
	}
	for {
		if l.st.Phase == link.Failed || l.st.Phase == link.Closed {
			return l.lost()
		}
		if l.st.Phase == link.Opening {
			return l.to(Settling, "the machine was restarted")
		}
		if v, bad := l.worst(watch.Halt); bad {
			return l.halt(v)
		}
		if l.errand == nil {
			if hot := l.targets(); len(hot) > 0 {
				return l.foundOut(hot)
			}
			warmest, name := l.warmest()
			took := l.now().Sub(began)
			switch {
			case l.st.HeatAt.IsZero():
				if took >= blindCooling {
					return l.to(Ready, l.readyWhy())
				}
				l.why = "cooling; it reports no temperatures, so it is given half an hour"
			case warmest < below:
				return l.to(Ready, "ready")
			case took >= longestCooling:
				return l.to(Ready, fmt.Sprintf("ready; %s is still at %.0f °C after %.0f hours", name, warmest, longestCooling.Hours()))
			default:
				l.why = fmt.Sprintf("%s is at %.0f °C, below %.0f °C is wanted", name, warmest, below)
			}
		}
		select {
		case <-l.news():
			l.looked()
			l.look()
		case <-l.rest.C:
			l.idle = false
		case <-l.tick.C:
			l.look()
		case <-l.back():
			if next, leave := l.received(); leave {
				return next
			}
		case r := <-l.p.requests:
			l.took(r)
			switch r.verb {
			case doEmergency:
				return l.emergencyBy(r)
			case doCool:
				l.coolFor(r, Cooling)
			case doLend:
				r.answer(nil, nil)
				return l.lend("person")
			case doTakeBack:
				l.refuse(r, ErrNotNow, "it is not lent")
			case doStart:
				l.check(r)
			default:
				l.refuse(r, ErrNotNow, "no run is on its way")
			}
		case <-l.quit:
			return l.leave()
		}
	}
}

// warmest returns the hottest of nozzles and bed.
func (l *loop) warmest() (c float64, name string) {
	for _, h := range l.st.Heaters {
		if len(h.Name) > 0 && h.Name[0] != 'C' && (name == "" || h.ActualC > c) {
			c, name = h.ActualC, h.Name
		}
	}
	return c, name
}

// coolFor turns the heaters off for a person who asked for it, in a phase in
// which no run is on its way.
func (l *loop) coolFor(r *request, stay Phase) {
	if l.c == nil {
		l.refuse(r, ErrNoLink, "there is no link to it. If it may be hot, go there and switch it off at the plug")
		return
	}
	l.send(30*time.Second, heatersOff, func(err error) (Phase, bool) {
		if err != nil {
			l.refuse(r, ErrNoLink, "its heaters could not be confirmed off (%v). If it may be hot, go there and switch it off at the plug", err)
			return stay, false
		}
		l.look()
		r.answer(nil, nil)
		return stay, false
	})
}

// halt stops the machine because its heaters may no longer obey, while no run
// is on its way.
func (l *loop) halt(v watch.Verdict) Phase {
	return l.fault(v.Text + ". " + l.emergency() + " " + afterHalt)
}

// wontCool stops a machine that is still hot from a run of ours and does not
// take the order to cool.
func (l *loop) wontCool(err error) Phase {
	return l.fault(fmt.Sprintf("its heaters could not be turned off (%v). %s Go there: it may be hot. Switch it off at the plug, then take it back", err, l.emergency()))
}

// emergency sends the emergency stop and says what is known of its effect.
func (l *loop) emergency() string {
	if l.c == nil {
		return "The machine could not be stopped from here: there is no link to it."
	}
	if err := l.c.EmergencyStop(); err != nil {
		return "An emergency stop was tried and is not confirmed (" + clip(err.Error(), 200) + "): pull the plug."
	}
	l.owe(nil)
	return "An emergency stop was sent, and the firmware confirmed that it halted."
}
