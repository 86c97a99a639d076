package fleet

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"undercroft/fleet/link"
)

// A firmware that identified itself but has not reported temperatures after
// this time has none to report.
const heatReportWait = 15 * time.Second

// settling waits until the link has understood the firmware, then finds out
// whether the machine is at rest.
func (l *loop) settling() Phase {
	l.look()
	var identified time.Time
	for {
		switch l.st.Phase {
		case link.Failed, link.Closed:
			return l.lost()
		case link.Idle:
			if identified.IsZero() {
				identified = time.Now()
			}
			if l.errand == nil && (!l.st.HeatAt.IsZero() || time.Since(identified) > heatReportWait) {
				if next, done := l.settle(); done {
					return next
				}
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
			case doLend:
				r.answer(nil, nil)
				return l.lend("person")
			case doTakeBack:
				r.answer(nil, nil)
			case doEmergency:
				return l.emergencyBy(r)
			case doCool:
				l.coolFor(r, Settling)
			default:
				l.refuse(r, ErrNotNow, "it is being identified; wait a moment")
			}
		case <-l.quit:
			return l.leave()
		}
	}
}

// settle decides what an identified machine is doing.
func (l *loop) settle() (Phase, bool) {
	hot := l.targets()
	if len(l.owed) > 0 && len(hot) > 0 && l.areOwed(hot) {
		l.why = "still heated by a run of ours whose link was lost; turning its heaters off"
		l.publish()
		l.send(30*time.Second, heatersOff, func(err error) (Phase, bool) {
			if err != nil {
				if l.st.Phase == link.Failed {
					return l.lost(), true
				}
				return l.wontCool(err), true
			}
			l.owe(nil)
			l.settleFails = 0
			if l.owedFault != "" {
				return l.fault(l.owedFault), true
			}
			return l.to(Cooling, "the heaters of a run of ours whose link was lost were turned off"), true
		})
		return "", false
	}
	l.settleFails = 0
	if len(hot) > 0 {
		return l.foundOut(hot), true
	}
	// What the machine had taken in before its cable went may heat it yet.
	l.owedTill = time.Now().Add(lateHeat)
	if l.owedFault != "" {
		return l.fault(l.owedFault), true
	}
	return l.to(Ready, l.readyWhy()), true
}

func (l *loop) readyWhy() string {
	if l.st.HeatAt.IsZero() {
		return "ready; it reports no temperatures, so nothing is known about its heat"
	}
	return "ready"
}

// targets returns the heaters that are on, by name.
func (l *loop) targets() map[string]float64 {
	hot := map[string]float64{}
	for _, h := range l.st.Heaters {
		if h.TargetC > 0 {
			hot[h.Name] = h.TargetC
		}
	}
	return hot
}

// lateHeat is for how long after it was found cold a machine may still come to a
// target of ours: a homing, a levelling or a heat-and-wait may stand before it.
const lateHeat = 10 * time.Minute

// late says that a machine at rest came to a target that was on its way when its
// link was lost.
func (l *loop) late(hot map[string]float64) bool {
	return len(l.owed) > 0 && time.Now().Before(l.owedTill) && l.areOwed(hot)
}

// foundOut is the way to lent when somebody else drives the machine.
func (l *loop) foundOut(hot map[string]float64) Phase {
	var parts []string
	for name, c := range hot {
		parts = append(parts, fmt.Sprintf("%s %.0f °C", name, c))
	}
	sort.Strings(parts)
	return l.lend("found out: its heaters have targets that were not set from here (" + strings.Join(parts, ", ") + ")")
}

// lost is the way back to absent, or to faulted, after the link failed while no
// run was on its way.
func (l *loop) lost() Phase {
	f := l.st.Fault
	if f == nil {
		f = &link.Fault{Cause: link.CausePortLost, Text: "the port was closed"}
	}
	was := l.phase
	if was == Cooling {
		// What is still on was ours.
		l.owe(l.owedNow())
	}
	l.hangUp()
	switch f.Cause {
	case link.CauseHalted, link.CauseThermal:
		return l.fault(f.Text + ". " + afterHalt)
	case link.CausePortLost:
		l.settleFails = 0
		return l.to(Absent, "the port vanished: "+clip(f.Text, 200))
	default:
		if was == Settling {
			l.settleFails++
		}
		return l.to(Absent, clip(f.Text, 300))
	}
}
