package fleet

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"time"

	"undercroft/fleet/link"
)

// Waits between attempts to open a port.
const (
	firstWait = time.Second
	// longestWait: opening resets many boards, so a machine that answers nothing
	// is not reset more often than this.
	longestWait = 30 * time.Second
	// goneWait: looking for a path that does not exist disturbs nothing.
	goneWait = 2 * time.Second
)

// absent tries to open the port until it succeeds.
func (l *loop) absent() Phase {
	l.hangUp()
	if l.spec.Lent {
		l.spec.Lent = false
		return l.lend("person")
	}
	wait := l.spec.ReconnectWait
	if wait <= 0 {
		wait = firstWait
	}
	// What failed last is told until an attempt says something newer.
	attempt := time.NewTimer(0)
	if l.settleFails > 0 {
		attempt.Reset(min(wait<<min(l.settleFails, 5), longestWait))
	}
	defer attempt.Stop()
	for {
		select {
		case <-attempt.C:
			port, err := l.open()
			if err == nil {
				l.pickUp(port)
				return l.to(Settling, "the port is open; asking the machine what it is")
			}
			why := portTrouble(l.spec.Path, err)
			if why != l.why {
				l.log.Info("the port cannot be opened", "why", why, "err", err)
				l.why = why
				l.publish()
			}
			if missing(err) {
				attempt.Reset(min(wait, goneWait))
				continue
			}
			attempt.Reset(wait)
			wait = min(2*wait, longestWait)
		case r := <-l.p.requests:
			l.took(r)
			switch r.verb {
			case doLend:
				r.answer(nil, nil)
				return l.lend("person")
			case doTakeBack:
				attempt.Reset(0)
				r.answer(nil, nil)
			case doCool, doEmergency:
				l.refuse(r, ErrNoLink, "%s. If it may be hot, go there and switch it off at the plug", l.why)
			default:
				l.refuse(r, ErrNoLink, "%s", l.why)
			}
		case <-l.quit:
			return l.leave()
		}
	}
}

// open opens the port and contains what the port's library does on the way.
func (l *loop) open() (p link.Port, err error) {
	defer func() {
		if r := recover(); r != nil {
			p, err = nil, fmt.Errorf("opening it failed inside: %v", r)
		}
	}()
	return l.f.o.OpenPort(l.spec.Path, l.spec.Baud)
}

// portTrouble says what is wrong with a port and what to do about it.
func portTrouble(path string, err error) string {
	switch {
	case missing(err):
		return fmt.Sprintf("%s does not exist: switch the machine on and plug its cable in; it is tried again by itself", path)
	case errors.Is(err, fs.ErrPermission) || errors.Is(err, link.ErrPortDenied):
		return fmt.Sprintf("%s may not be opened by this user: add the user to the group that owns it (often dialout), then restart the daemon", path)
	case errors.Is(err, syscall.EBUSY) || errors.Is(err, link.ErrPortBusy):
		return fmt.Sprintf("%s is in use by another program: end that program; it is tried again by itself", path)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Sprintf("nothing listens at %s: start the serial server there; it is tried again by itself", path)
	default:
		return fmt.Sprintf("%s cannot be opened (%s); it is tried again by itself", path, clip(err.Error(), 200))
	}
}

// missing says that nothing bears the port's name.
func missing(err error) bool {
	return errors.Is(err, link.ErrPortMissing) || errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.ENODEV)
}
