package fleet

import (
	"context"
	"strconv"
	"time"

	"undercroft/fleet/watch"
)

const (
	// What is on its way when a run is held may take as long as one long move.
	asideLimit = 15 * time.Minute
	// Pulled back while the run is held, so that the nozzle does not ooze onto
	// the piece, and pushed forward again before it goes on.
	asideRetractMM = 2.0
	// Firmware refuses to move cold filament below 170 °C or so.
	extrudesAboveC = 175.0
)

// stepAside lifts the nozzle off the piece once what was on its way is done. It
// goes straight up and nowhere else: beside the piece there may be others,
// higher than it. Before homing nothing is moved.
func (l *loop) stepAside() {
	a := l.run
	if !a.reach.homed {
		return
	}
	m := a.src.modal(l.st.Sent)
	if m.Inches {
		return
	}
	hot := false
	for _, h := range l.st.Heaters {
		hot = hot || h.Name != "" && h.Name[0] == 'T' && h.TargetC > 0 && h.ActualC > extrudesAboveC
	}
	var back []string
	l.send(asideLimit, func(ctx context.Context, c conn) error {
		if _, err := c.Do(ctx, "M400"); err != nil {
			return err
		}
		lift, err := liftMM(ctx, c, l.spec, parkLiftMM)
		if err != nil {
			return err
		}
		var away []string
		away, back = aside(lift, hot, m)
		for _, cmd := range away {
			if _, err := do(ctx, c, cmd); err != nil {
				return err
			}
		}
		return nil
	}, func(err error) (Phase, bool) {
		a.hold.back = back
		if err != nil {
			l.log.Warn("the nozzle was not moved off the piece", "err", err)
			a.hold.adrift = back != nil
		}
		return "", false
	})
}

// aside returns the commands that move the nozzle up by liftMM and pull the
// filament back, and those that undo both and put back in force what was.
func aside(liftMM float64, hot bool, m watch.Modal) (away, back []string) {
	f := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	away, back = []string{"G91", "M83"}, []string{"G91", "M83"}
	if hot {
		away = append(away, "G1 E-"+f(asideRetractMM)+" F1800")
	}
	if liftMM > 0 {
		z := strconv.FormatFloat(liftMM, 'f', 2, 64)
		away = append(away, "G1 Z"+z+" F300")
		back = append(back, "G1 Z-"+z+" F300")
	}
	if hot {
		back = append(back, "G1 E"+f(asideRetractMM)+" F1800")
	}
	if m.FeedMMs > 0 {
		back = append(back, "G1 F"+strconv.FormatFloat(m.FeedMMs*60, 'f', 3, 64))
	}
	if !m.Relative {
		back = append(back, "G90")
	}
	if !m.RelativeExtrusion {
		back = append(back, "M82")
	} else {
		back = append(back, "M83")
	}
	return away, back
}

// stepBack undoes stepAside and lets the run go on.
func (l *loop) stepBack(r *request) {
	back := l.run.hold.back
	l.send(offLimit, func(ctx context.Context, c conn) error {
		for _, cmd := range back {
			if _, err := do(ctx, c, cmd); err != nil {
				return err
			}
		}
		return nil
	}, func(err error) (Phase, bool) {
		if err != nil {
			l.run.hold.letGo, l.run.hold.adrift = false, true
			l.why = "paused; moving back to the piece failed (" + clip(err.Error(), 200) + "): stop the run"
			if r != nil {
				l.refuse(r, ErrNotNow, "moving back to the piece failed: %v", err)
			}
			return "", false
		}
		if r != nil {
			r.answer(nil, nil)
		}
		return l.goOn(), true
	})
}
