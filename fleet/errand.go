package fleet

import (
	"context"
	"fmt"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"undercroft/fleet/watch"
	"undercroft/gcode"
)

// errand is a short conversation with the firmware that runs beside the loop,
// so that the loop goes on listening. One at a time.
type errand struct {
	cancel context.CancelFunc
	done   chan struct{}
	err    error
	// then is called by the loop when the errand is over; it may end the phase.
	then func(err error) (next Phase, leave bool)
}

// send starts an errand; one that is still under way is dropped first.
func (l *loop) send(limit time.Duration, do func(context.Context, conn) error, then func(error) (Phase, bool)) {
	l.dropErrand()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	e := &errand{cancel: cancel, done: make(chan struct{}), then: then}
	c := l.c
	l.errand = e
	l.wg.Go(func() {
		defer close(e.done)
		defer cancel()
		defer func() {
			if r := recover(); r != nil {
				l.log.Error("an errand failed", "panic", r, "stack", string(debug.Stack()))
				e.err = fmt.Errorf("the daemon failed inside: %v", r)
			}
		}()
		e.err = do(ctx, c)
	})
}

// back fires when the errand is over.
func (l *loop) back() <-chan struct{} {
	if l.errand == nil {
		return nil
	}
	return l.errand.done
}

// received ends the errand that is over.
func (l *loop) received() (Phase, bool) {
	e := l.errand
	l.errand = nil
	return e.then(e.err)
}

// dropErrand calls an errand off, waits until it is gone, and lets it answer
// whoever waits for it.
func (l *loop) dropErrand() {
	e := l.errand
	if e == nil {
		return
	}
	l.errand = nil
	e.cancel()
	<-e.done
	if e.err == nil {
		e.err = context.Canceled
	}
	e.then(e.err)
}

// each of our own commands must be answered within this time.
const commandLimit = 10 * time.Second

func do(ctx context.Context, c conn, cmd string) ([]string, error) {
	ctx, cancel := context.WithTimeout(ctx, commandLimit)
	defer cancel()
	return c.Do(ctx, cmd)
}

// heatersOff sets every target to zero and waits until the firmware reports so.
func heatersOff(ctx context.Context, c conn) error {
	st := c.State()
	var cmds []string
	if n := min(st.Identity.Extruders, 16); n > 1 {
		for i := range n {
			cmds = append(cmds, "M104 T"+strconv.Itoa(i)+" S0")
		}
	} else {
		cmds = append(cmds, "M104 S0")
	}
	cmds = append(cmds, "M140 S0")
	for _, h := range st.Heaters {
		if strings.HasPrefix(h.Name, "C") {
			cmds = append(cmds, "M141 S0")
		}
	}
	var first error
	for _, cmd := range cmds {
		if _, err := do(ctx, c, cmd); err != nil && first == nil {
			first = err
		}
	}
	if first != nil {
		return first
	}
	before := c.State().HeatAt
	if _, err := do(ctx, c, "M105"); err != nil {
		return err
	}
	if before.IsZero() {
		// It has never reported temperatures: its answers are all there is.
		return nil
	}
	for {
		st := c.State()
		if st.HeatAt.After(before) {
			hot := ""
			for _, h := range st.Heaters {
				if h.TargetC > 0 {
					hot = h.Name
				}
			}
			if hot == "" {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("no report shows that the heaters are off: %w", ctx.Err())
		case <-time.After(lookEvery):
		}
	}
}

// park moves the nozzle away from the piece after a run that did not finish:
// the owner's way, or up and to where a held run waits, unless it is away
// already. Before homing nothing is known about where the axes stand, so nothing is moved.
func park(ctx context.Context, c conn, s *Spec, r *Run, homed, away, hot bool, topMM float64) error {
	if len(s.ParkGCode) > 0 {
		return runGCode(ctx, c, s.ParkGCode, homed)
	}
	if _, err := do(ctx, c, "M107"); err != nil {
		return err
	}
	if !homed || away {
		return nil
	}
	at, err := position(ctx, c)
	if err != nil {
		return err
	}
	cmds, _ := aside(waitingSpot(s, r, at, topMM), hot, 0, watch.Modal{})
	// It ends with M400: closing the port may reset the board, which would cut
	// the moves off.
	return doAll(ctx, c, append(cmds, "G90", "M82"))
}

// runGCode sends the owner's own commands. Before homing it stops at the first
// that moves an axis, unless that homes.
func runGCode(ctx context.Context, c conn, lines []string, homed bool) error {
	src := gcode.NewCommands(strings.NewReader(strings.Join(lines, "\n")))
	for first := true; ; {
		text, _, err := src.Next()
		if err != nil {
			return nil // the end, or what was not understood when it was configured
		}
		if first && !homed && !isCommand(text, "G28") && movesAxes(text) {
			return nil
		}
		first = first && !movesAxes(text)
		if err := doAll(ctx, c, []string{string(text)}); err != nil {
			return err
		}
	}
}

func movesAxes(text []byte) bool {
	return isCommand(text, "G0") || isCommand(text, "G1") || isCommand(text, "G2") || isCommand(text, "G3") || isCommand(text, "G28")
}

// position asks where the planned moves end, X Y Z E in mm.
func position(ctx context.Context, c conn) ([4]float64, error) {
	lines, err := do(ctx, c, "M114")
	if err != nil {
		return [4]float64{}, err
	}
	for _, line := range lines {
		if at, ok := parsePosition(line); ok {
			return at, nil
		}
	}
	return [4]float64{}, fmt.Errorf("M114 was answered without a position")
}

// parsePosition reads "X:10.00 Y:0.00 Z:5.00 E:0.00 Count …", with blanks or
// commas between.
func parsePosition(line string) (at [4]float64, ok bool) {
	line, _, _ = strings.Cut(line, "Count")
	found := 0
	for _, w := range strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == ',' || r == '\t' }) {
		name, value, cut := strings.Cut(w, ":")
		i := strings.Index("XYZE", name)
		if !cut || len(name) != 1 || i < 0 {
			continue
		}
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return at, false
		}
		at[i] = v
		found++
	}
	return at, found >= 3
}
