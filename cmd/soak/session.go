package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"undercroft/cmd/soak/judge"
	"undercroft/fleet/link"
	"undercroft/fleet/sim"
	"undercroft/gcode"

	"bytes"
)

// run is one file over one connection, and how it ended.
type run struct {
	plan    *plan
	file    int // of the plan's
	verdict judge.Verdict
	cause   string // why it stopped; "" when it finished
	text    string // the same for a person
	resends int64
	took    time.Duration // on the clock of the connection
	deeds   map[string]int
}

// outcome is what came of a connection.
type outcome struct {
	plan    *plan
	runs    []run
	unheard string // why no conversation came about, "" when it did
	broken  []string
}

// aborted is the cause of a run that was given up on purpose.
const aborted = "aborted"

// limits of a connection, on its own clock.
const (
	openLimit = 30 * time.Minute
	runLimit  = 48 * time.Hour
	lookEvery = 3 * time.Second
	ptyLimit  = 90 * time.Second // real time
	ptyLook   = 20 * time.Millisecond
)

// session plays a plan. In memory it must run in a bubble. executed counts
// commands as they are executed.
func session(p *plan, executed *atomic.Int64, wire io.Writer) (o outcome) {
	o.plan = p
	port, printer, j, err := p.connect(executed, wire)
	if err != nil {
		o.broken = append(o.broken, err.Error())
		return o
	}
	defer printer.Close()
	lo := link.Options{Baud: p.baud}
	if p.pty {
		lo.ListenFor = 100 * time.Millisecond
	}
	conn := link.New(port, lo)
	defer func() { conn.Close() }()

	look, limit := lookEvery, openLimit
	if p.pty {
		look, limit = ptyLook, ptyLimit
	}
	s, inTime := await(conn, look, limit, nil)
	switch {
	case !inTime:
		o.broken = append(o.broken, fmt.Sprintf("the opening did not end in %v", limit))
		return o
	case s.Phase == link.Failed:
		o.unheard = string(s.Fault.Cause)
		if s.Fault.Cause == link.CauseInternal {
			o.broken = append(o.broken, s.Fault.Text)
		}
		return o
	}
	for i := range p.files {
		var on bool
		var r run
		r, conn, on = p.stream(i, conn, printer, j, wire)
		o.runs = append(o.runs, r)
		if !on {
			break
		}
	}
	if c := printer.Truth().Faults; j.Told() != c.Undetected+c.Unverified {
		o.broken = append(o.broken, fmt.Sprintf("the injector told the judge of %d damaged lines that ran, and counts %d", j.Told(), c.Undetected+c.Unverified))
	}
	return o
}

// connect makes the printer and the line to it.
func (p *plan) connect(executed *atomic.Int64, wire io.Writer) (port link.Port, printer *sim.Printer, j *judge.Judge, err error) {
	j = &judge.Judge{}
	so := sim.Options{
		Family: p.family, AllOptions: p.all, Baud: p.baud, Pace: p.pace, Faults: p.faults, Seed: p.seed,
		OnExecute: func(e sim.Executed) {
			executed.Add(1)
			j.Executed(e.Number, e.Text, e.Move, e.End)
			if wire != nil {
				fmt.Fprintf(wire, "          = N%d %q\n", e.Number, e.Text)
			}
		},
		OnEvent: func(at time.Duration, text string) {
			j.Event(text)
			if wire != nil {
				fmt.Fprintf(wire, "          # %s\n", text)
			}
		},
	}
	if p.pty {
		dir, err := os.MkdirTemp("", "soak-")
		if err != nil {
			return nil, nil, nil, err
		}
		defer func() {
			if err != nil {
				os.RemoveAll(dir)
			}
		}()
		so.Path = filepath.Join(dir, "port")
		if printer, err = sim.New(so); err != nil {
			return nil, nil, nil, err
		}
		if port, err = link.OpenPort(so.Path, 115200); err != nil {
			printer.Close()
			return nil, nil, nil, err
		}
		port = &tidyPort{port, dir}
	} else {
		var host io.ReadWriteCloser
		host, so.Port = cable()
		port = host
		if printer, err = sim.New(so); err != nil {
			return nil, nil, nil, err
		}
	}
	if wire != nil {
		port = &tap{Port: port, w: wire, from: time.Now()}
	}
	return port, printer, j, nil
}

// tidyPort removes the directory of a pseudo-terminal's link when it is closed.
type tidyPort struct {
	link.Port
	dir string
}

func (t *tidyPort) Close() error {
	defer os.RemoveAll(t.dir)
	return t.Port.Close()
}

// await looks at the link now and then until it is idle or failed; see is
// called with what was seen.
func await(conn *link.Conn, every, limit time.Duration, see func(link.State)) (s link.State, inTime bool) {
	end := time.Now().Add(limit)
	tick := time.NewTimer(0)
	defer tick.Stop()
	for {
		s = conn.State()
		if see != nil {
			see(s)
		}
		if s.Phase == link.Idle || s.Phase == link.Failed {
			return s, true
		}
		if time.Now().After(end) {
			return s, false
		}
		tick.Reset(every)
		<-tick.C
	}
}

// again plugs a lost port in anew, as whoever owns a link does, and lets what the
// printer still holds of the old conversation be executed. It returns nil when
// no conversation comes about.
func (p *plan) again(printer *sim.Printer, wire io.Writer) *link.Conn {
	host, board := cable()
	printer.Replug(board)
	var port link.Port = host
	if wire != nil {
		port = &tap{Port: host, w: wire, from: time.Now()}
	}
	conn := link.New(port, link.Options{Baud: p.baud})
	s, _ := await(conn, lookEvery, openLimit, nil)
	if s.Phase != link.Idle {
		conn.Close()
		return nil
	}
	sync := "M400"
	if p.family == sim.FamilyE {
		sync = "G4 P1"
	}
	ctx, cancel := context.WithTimeout(context.Background(), openLimit)
	defer cancel()
	if _, err := conn.Do(ctx, sync); err != nil {
		conn.Close()
		return nil
	}
	return conn
}

// stream sends one file of the plan; on says that the connection, or the new one
// that it returns, can take the next one.
func (p *plan) stream(i int, conn *link.Conn, printer *sim.Printer, j *judge.Judge, wire io.Writer) (r run, next *link.Conn, on bool) {
	r = run{plan: p, file: i}
	text := generate(p.files[i], p.family)
	f, err := judge.ReadFile(text)
	if err != nil {
		r.verdict.Violations = append(r.verdict.Violations, "the generated file: "+err.Error())
		return r, conn, false
	}
	look, limit := lookEvery, runLimit
	if p.pty {
		look, limit = ptyLook, ptyLimit
	}
	before := conn.State().Resends
	from := time.Now()
	j.Begin(f)
	if err := conn.Stream(gcode.NewCommands(bytes.NewReader(text))); err != nil {
		r.cause, r.text = "not taken", err.Error()
		r.verdict = j.End(judge.Claim{Cause: r.cause})
		if conn.State().Phase != link.Failed {
			r.verdict.Violations = append(r.verdict.Violations, "an idle link did not take a stream: "+err.Error())
		}
		return r, conn, false
	}
	h := &hands{conn: conn, left: slices.Clone(p.files[i].deeds)}
	s, inTime := await(conn, look, limit, func(s link.State) {
		h.see(s)
		for _, text := range j.Progress(claim(s)) {
			if wire != nil {
				fmt.Fprintln(wire, "          ! "+text)
			}
		}
	})
	r.took, r.resends = time.Since(from), s.Resends-before
	c := claim(s)
	if !inTime {
		c.Cause = "no end"
	}
	if s.Fault != nil {
		r.text = s.Fault.Text
	}
	if c.Cause == "" && !c.Finished && h.aborted {
		c.Cause = aborted // its lines were awaited: the printer is at rest
	}
	r.cause = c.Cause
	on = c.Finished || c.Cause == aborted
	if c.Cause == string(link.CausePortLost) && p.replug && !p.pty {
		conn.Close()
		if again := p.again(printer, wire); again != nil {
			conn, on = again, true
			h.count("plugged in again")
		}
	}
	if !on {
		// What is on its way is executed, or lost, before the judge looks.
		conn.Close()
		printer.Close()
	}
	h.asking.Wait()
	r.verdict, r.deeds = j.End(c), h.done
	r.verdict.Violations = append(r.verdict.Violations, h.broken...)
	if !inTime {
		r.verdict.Violations = append(r.verdict.Violations, fmt.Sprintf("no end in %v: %+v", limit, s))
	}
	if s.Fault != nil && s.Fault.Cause == link.CauseInternal {
		r.verdict.Violations = append(r.verdict.Violations, "a bug was contained: "+s.Fault.Text)
	}
	return r, conn, on
}

func claim(s link.State) judge.Claim {
	c := judge.Claim{Sent: s.Sent, Accepted: s.Accepted, Done: s.Done, Finished: s.Finished}
	if s.Fault != nil {
		c.Cause = string(s.Fault.Cause)
	}
	return c
}
