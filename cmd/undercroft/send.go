package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"undercroft/fleet/link"
	"undercroft/gcode"
	"undercroft/gcode/analyze"
)

// endWithin is how long an interrupted run may take to end.
const endWithin = 15 * time.Second

// sendCmd streams one file to one printer without a daemon.
type sendCmd struct {
	Port   string `required:"" help:"Serial port of the printer, usb:SERIAL for the adapter with that serial number, tcp://host:port of a raw serial server or rfc2217://host:port of a telnet one." placeholder:"PATH"`
	Baud   int    `required:"" help:"Baud rate of the port." placeholder:"N"`
	Window *int   `help:"Bytes that may be sent ahead of the last ok; 1 sends one line at a time. Without it the link learns what the firmware can take." placeholder:"BYTES"`
	JSON   bool   `name:"json" help:"Print the record as JSON."`
	File   string `arg:"" help:"G-code file." type:"existingfile"`
}

// sendRecord is what `send` prints. Completed height is the top of the highest
// layer that is certainly executed.
type sendRecord struct {
	Outcome           string  `json:"outcome"` // finished, failed, interrupted
	Cause             string  `json:"cause"`   // empty when finished
	LinesTotal        int64   `json:"lines_total"`
	LinesSent         int64   `json:"lines_sent"`
	Resends           int64   `json:"resends"`
	Seconds           float64 `json:"seconds"`
	LayersDone        int     `json:"layers_done"`
	CompletedHeightMM float64 `json:"completed_height_mm"`

	Text           string  `json:"text,omitempty"` // the cause in words
	Line           int64   `json:"line,omitempty"` // file line in hand when it stopped
	LinesDone      int64   `json:"lines_done"`
	Layers         int     `json:"layers"`
	Timeouts       int64   `json:"timeouts"`
	PositionChecks int64   `json:"position_checks"`
	StarvedSeconds float64 `json:"starved_seconds"`
	LineShare      float64 `json:"line_share"`
	RoundTripP50MS float64 `json:"round_trip_p50_ms"`
	RoundTripP99MS float64 `json:"round_trip_p99_ms"`
}

// Run streams the file and prints the record.
func (c *sendCmd) Run() error {
	stop := make(chan os.Signal, 2)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(stop)
	return c.run(stop, endWithin, os.Stdout, os.Stderr)
}

// run is Run with its surroundings as values. The first value of stop ends the
// run, within the time given; a second one hurries that.
func (c *sendCmd) run(stop <-chan os.Signal, within time.Duration, stdout, stderr io.Writer) error {
	if c.Window != nil && *c.Window < 1 {
		return exitf(exitUsage, "--window %d: at least 1 byte, which is one line at a time; leave it out to let the link learn", *c.Window)
	}
	f, err := os.Open(c.File)
	if err != nil {
		return exitf(exitNotFound, "cannot read the file: %v", err)
	}
	defer f.Close()
	plan, err := planSend(f)
	if err != nil {
		return err
	}
	for _, w := range plan.warnings {
		fmt.Fprintf(stderr, "undercroft: %s\n", w)
	}
	port, err := link.OpenPort(c.Port, c.Baud)
	if err != nil {
		return exitf(exitNotReached, "%v", err)
	}
	o := link.Options{Baud: c.Baud}
	if c.Window != nil {
		o.WindowBytes = *c.Window
	}
	conn := link.New(port, o)
	defer conn.Close()
	rec := plan.send(stop, within, conn, f, stderr)
	if err := rec.print(stdout, c.JSON); err != nil {
		return err
	}
	if rec.Outcome != "finished" {
		return &exitError{code: exitRunFailed, text: rec.Text, said: true}
	}
	return nil
}

// sendPlan is what must be known of the file before its first line goes out.
type sendPlan struct {
	commands int64
	layers   []analyze.Layer
	ends     []int64 // for each layer, the number of commands up to its end
	warnings []string
}

// planSend reads the file twice: for its layers, and for the commands that will
// be sent. A line that cannot be sent is told now, not in mid-print.
func planSend(f io.ReadSeeker) (*sendPlan, error) {
	r, err := analyze.Read(f, analyze.Options{})
	if err != nil {
		return nil, fmt.Errorf("cannot read the file: %w", err)
	}
	p := &sendPlan{layers: r.Layers, ends: make([]int64, len(r.Layers))}
	for _, w := range r.Findings {
		if w.Severity == analyze.Refuse {
			p.warnings = append(p.warnings, fmt.Sprintf("line %d: %s", w.Line, w.Text))
		}
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("cannot read the file again: %w", err)
	}
	src := gcode.NewCommands(f)
	at := 0
	for {
		_, line, err := src.Next()
		end := errors.Is(err, io.EOF)
		if err != nil && !end {
			return nil, exitf(exitRefused, "the file cannot be sent: %v", err)
		}
		for at < len(p.layers) && (end || p.layers[at].EndLine < line) {
			p.ends[at] = p.commands
			at++
		}
		if end {
			break
		}
		p.commands++
	}
	if p.commands == 0 {
		return nil, exitf(exitRefused, "the file holds no command")
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("cannot read the file again: %w", err)
	}
	return p, nil
}

// completed counts the layers that end within the first done commands.
func (p *sendPlan) completed(done int64) (layers int, heightMM float64) {
	for i, end := range p.ends {
		if end > done {
			break
		}
		layers++
		heightMM = max(heightMM, p.layers[i].TopMM)
	}
	return layers, heightMM
}

// send streams and waits for the end.
func (p *sendPlan) send(stop <-chan os.Signal, within time.Duration, conn *link.Conn, f io.Reader, stderr io.Writer) *sendRecord {
	began := time.Now()
	started := false
	var share float64
	for {
		s := conn.State()
		if s.LineShare > 0 {
			share = s.LineShare
		}
		switch {
		case s.Phase == link.Failed || s.Phase == link.Closed:
			rec := p.record(s, began, share)
			coolAfterFailure(conn, s, stderr)
			return rec
		case s.Phase == link.Idle && s.Finished && started:
			return p.record(s, began, share)
		case s.Phase == link.Idle && !started:
			if err := conn.Stream(gcode.NewCommands(f)); err == nil {
				started = true
				began = time.Now()
			}
			continue
		}
		select {
		case <-conn.Changed():
		case <-stop:
			if !started {
				return &sendRecord{Outcome: "interrupted", Cause: "interrupted", Text: toldToEnd, LinesTotal: p.commands, Layers: len(p.layers)}
			}
			s := p.interrupt(stop, within, conn, stderr)
			return p.record(s, began, share)
		}
	}
}

const toldToEnd = "the program was told to end"

// interrupt ends a run: nothing more of the file is sent, the heaters are turned
// off, what is on its way is finished. All of that ends after the time given, or
// at a second signal: a firmware that waits for a person, or for heat, takes
// nothing. Then only an emergency stop turns the heaters off.
func (p *sendPlan) interrupt(stop <-chan os.Signal, within time.Duration, conn *link.Conn, stderr io.Writer) link.State {
	fmt.Fprintf(stderr, "undercroft: ending: the heaters are turned off and what is on its way is finished, within %.0f s; a second Ctrl-C hurries it\n", within.Seconds())
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	go func() {
		select {
		case <-stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	conn.Suspend()
	err := coolDown(ctx, conn)
	if err == nil {
		fmt.Fprintln(stderr, "undercroft: the heaters were turned off")
		conn.Abort()
		for s := conn.State(); s.Phase == link.Streaming || s.Phase == link.Suspended; s = conn.State() {
			select {
			case <-conn.Changed():
				continue
			case <-ctx.Done():
				fmt.Fprintln(stderr, "undercroft: the printer still moves: it finishes what it has in its buffers")
			}
			break
		}
		return conn.State()
	}
	if ctx.Err() != nil {
		err = errors.New("it takes nothing more: it waits, for a person or for heat")
	}
	s := conn.State()
	if !hot(s) && time.Since(s.HeatAt) < heatFresh {
		fmt.Fprintf(stderr, "undercroft: the printer was left as it is (%v); its heaters are off\n", err)
		return s
	}
	if stopped := conn.EmergencyStop(); stopped != nil {
		fmt.Fprintf(stderr, "undercroft: the heaters may still be on (%v; an emergency stop was sent: %v)\n", err, stopped)
	} else {
		fmt.Fprintf(stderr, "undercroft: the heaters were turned off by an emergency stop (%v); the printer must be reset\n", err)
	}
	return s
}

// heatFresh is how old a report may be that says that no heater is on.
const heatFresh = 5 * time.Second

func hot(s link.State) bool {
	for _, h := range s.Heaters {
		if h.TargetC > 0 {
			return true
		}
	}
	return false
}

func (p *sendPlan) record(s link.State, began time.Time, share float64) *sendRecord {
	r := &sendRecord{
		LinesTotal: p.commands, LinesSent: s.Sent, LinesDone: s.Done, Resends: s.Resends,
		Seconds: time.Since(began).Seconds(), Layers: len(p.layers), Timeouts: s.Timeouts,
		PositionChecks: s.Audits, StarvedSeconds: s.Starved.Seconds(), LineShare: share,
		RoundTripP50MS: s.RTTp50.Seconds() * 1000, RoundTripP99MS: s.RTTp99.Seconds() * 1000,
	}
	r.LayersDone, r.CompletedHeightMM = p.completed(s.Done)
	switch {
	case s.Phase == link.Failed || s.Phase == link.Closed:
		r.Outcome = "failed"
		if s.Fault != nil {
			r.Cause, r.Text, r.Line = string(s.Fault.Cause), s.Fault.Text, s.Fault.Line
		}
	case s.Phase == link.Idle && s.Finished:
		r.Outcome = "finished"
	default:
		r.Outcome, r.Cause, r.Text = "interrupted", "interrupted", toldToEnd
	}
	return r
}

// coolAfterFailure turns off what the run has heated, when the printer still answers.
func coolAfterFailure(conn *link.Conn, s link.State, stderr io.Writer) {
	if !hot(s) {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), endWithin)
	defer cancel()
	if err := coolDown(ctx, conn); err != nil {
		fmt.Fprintf(stderr, "undercroft: the heaters may still be on (%v): look at the printer, or switch it off at the plug\n", err)
		return
	}
	fmt.Fprintln(stderr, "undercroft: the heaters were turned off")
}

// coolDown turns the heaters off.
func coolDown(ctx context.Context, conn *link.Conn) error {
	for _, cmd := range []string{"M104 S0", "M140 S0"} {
		if _, err := conn.Do(ctx, cmd); err != nil {
			return err
		}
	}
	return nil
}

func (r *sendRecord) print(w io.Writer, asJSON bool) error {
	if asJSON {
		b, err := json.Marshal(r)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w, "%s\n", b)
		return err
	}
	cause := r.Cause
	if cause == "" {
		cause = "-"
	}
	_, err := fmt.Fprintf(w, "outcome %s\ncause %s\nlines_total %d\nlines_sent %d\nresends %d\nseconds %.2f\nlayers_done %d\ncompleted_height_mm %.3f\n",
		r.Outcome, cause, r.LinesTotal, r.LinesSent, r.Resends, r.Seconds, r.LayersDone, r.CompletedHeightMM)
	if err == nil && r.Text != "" {
		_, err = fmt.Fprintf(w, "text %s\n", r.Text)
	}
	return err
}
