package fleet

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"undercroft/fleet/link"
)

// fakeLink stands in for a link and the machine behind it: it takes commands at
// a steady rate, executes them some commands later, and heats its heaters. Tests
// break it in every way that a link may break.
type fakeLink struct {
	mu      sync.Mutex
	st      link.State
	notices []link.Notice
	changed chan struct{}
	src     link.Source
	halfway bool // aborting
	log     []string
	done    []string // commands of streams that were executed
	queue   []string
	closed  bool
	quit    chan struct{}
	gone    chan struct{}

	// What tests set.
	every      time.Duration // between two commands
	stuck      bool          // nothing is accepted any more
	mute       bool          // Do is not answered
	heater     [2]float64    // °C per second of nozzle and bed; 0: dead
	z          float64
	moves      bool // the position changes by itself
	skip       bool // the heat-and-wait at the head was called off
	stubborn   bool // targets cannot be set to zero
	panicState bool
	deaf       bool // M112 is not confirmed
}

func newFakeLink() *fakeLink {
	c := &fakeLink{
		changed: make(chan struct{}, 1), quit: make(chan struct{}), gone: make(chan struct{}),
		every: 10 * time.Millisecond, heater: [2]float64{20, 10},
	}
	c.st.Phase = link.Opening
	c.st.Identity = link.Identity{Firmware: "Firmware-A 1.0", Extruders: 1, Caps: map[string]bool{"EMERGENCY_PARSER": true}}
	c.st.Boots = 1
	c.st.Heaters = []link.Heater{{Name: "T0", ActualC: 20, Duty: -1}, {Name: "B", ActualC: 20, Duty: -1}}
	go c.live()
	return c
}

func (c *fakeLink) live() {
	defer close(c.gone)
	start, heat, step := time.After(100*time.Millisecond), time.NewTicker(time.Second), time.NewTicker(c.every)
	defer heat.Stop()
	defer step.Stop()
	for {
		select {
		case <-c.quit:
			return
		case <-start:
			c.with(func() { c.st.Phase, c.st.HeardAt = link.Idle, time.Now() })
		case <-heat.C:
			c.with(c.warm)
		case <-step.C:
			c.with(c.step)
		}
	}
}

// with changes the fake under its lock and tells that something changed.
func (c *fakeLink) with(f func()) {
	c.mu.Lock()
	f()
	c.mu.Unlock()
	select {
	case c.changed <- struct{}{}:
	default:
	}
}

func (c *fakeLink) warm() {
	if c.st.Phase == link.Failed || c.mute {
		return
	}
	hs := make([]link.Heater, len(c.st.Heaters))
	for i, h := range c.st.Heaters {
		rate := c.heater[i]
		switch {
		case h.TargetC > h.ActualC && rate > 0:
			h.ActualC = min(h.ActualC+rate, h.TargetC)
		case h.ActualC > max(h.TargetC, 20):
			h.ActualC = max(h.ActualC-1.5, 20)
		}
		hs[i] = h
	}
	c.st.Heaters, c.st.HeatAt, c.st.HeardAt = hs, time.Now(), time.Now()
}

// lag is how many commands lie between accepted and executed.
const lag = 5

func (c *fakeLink) step() {
	if c.stuck || c.st.Phase == link.Failed {
		return
	}
	// A heat-and-wait at the head holds everything.
	if len(c.queue) > 0 && (strings.HasPrefix(c.queue[0], "M109") || strings.HasPrefix(c.queue[0], "M190")) {
		for _, h := range c.st.Heaters {
			if h.TargetC > h.ActualC+1 && !c.skip {
				return
			}
		}
	}
	c.skip = false
	if c.st.Phase == link.Streaming && c.src != nil && !c.halfway {
		text, line, err := c.src.Next()
		switch {
		case err == io.EOF:
			c.src = nil
		case err != nil:
			c.src = nil
			c.fail(link.CauseSource, err.Error())
			return
		default:
			c.st.Sent++
			c.st.Accepted++
			c.st.SentLine = line
			cmd := string(text)
			c.queue = append(c.queue, cmd)
			c.heatBy(cmd)
			if len(c.queue) <= lag {
				return
			}
		}
	}
	if len(c.queue) > 0 && (len(c.queue) > lag || c.src == nil || c.halfway || c.st.Phase == link.Suspended) {
		c.done = append(c.done, c.queue[0])
		c.queue = c.queue[1:]
		c.st.Done++
	}
	if len(c.queue) == 0 && (c.st.Phase == link.Streaming || c.halfway) && (c.src == nil || c.halfway) {
		c.st.Finished = !c.halfway
		c.st.Phase, c.src, c.halfway = link.Idle, nil, false
	}
}

func (c *fakeLink) heatBy(cmd string) {
	i := map[string]int{"M104": 0, "M109": 0, "M140": 1, "M190": 1}
	f := strings.Fields(cmd)
	n, ok := i[f[0]]
	if !ok {
		return
	}
	for _, w := range f[1:] {
		if v, err := strconv.ParseFloat(w[1:], 64); err == nil && w[0] == 'S' {
			if v == 0 && c.stubborn {
				return
			}
			hs := append([]link.Heater(nil), c.st.Heaters...)
			hs[n].TargetC = v
			c.st.Heaters = hs
		}
	}
}

func (c *fakeLink) fail(cause link.Cause, text string) {
	c.st.Phase = link.Failed
	c.st.Fault = &link.Fault{Cause: cause, Text: text, Line: c.st.SentLine, At: time.Now()}
}

func (c *fakeLink) breakBy(cause link.Cause, text string) { c.with(func() { c.fail(cause, text) }) }

func (c *fakeLink) say(text string) {
	c.with(func() { c.notices = append(c.notices, link.Notice{At: time.Now(), Text: text}) })
}

func (c *fakeLink) Changed() <-chan struct{} { return c.changed }

func (c *fakeLink) State() link.State {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.panicState {
		panic("a fault inside, made by the test")
	}
	return c.st
}

func (c *fakeLink) Notices() []link.Notice {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.notices
	c.notices = nil
	return n
}

func (c *fakeLink) Do(ctx context.Context, cmd string) ([]string, error) {
	c.mu.Lock()
	c.log = append(c.log, cmd)
	mute, closed := c.mute, c.closed
	c.mu.Unlock()
	if closed {
		return nil, errors.New("closed")
	}
	if mute {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	time.Sleep(5 * time.Millisecond)
	var out []string
	c.with(func() {
		switch {
		case cmd == "M105":
			c.warm()
		case cmd == "M114":
			if c.moves {
				c.z++
			}
			out = []string{fmt.Sprintf("X:1.00 Y:2.00 Z:%.2f E:0.00 Count X:80 Y:160 Z:0", c.z)}
		case cmd == "M108" || cmd == "M876 S1":
			c.stuck, c.skip = false, true
		default:
			c.heatBy(cmd)
		}
	})
	return out, nil
}

func (c *fakeLink) Stream(src link.Source) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.st.Phase != link.Idle {
		return errors.New("busy")
	}
	c.src = src
	c.st.Phase = link.Streaming
	c.st.Sent, c.st.Accepted, c.st.Done, c.st.SentLine, c.st.Finished = 0, 0, 0, 0, false
	return nil
}

func (c *fakeLink) Suspend() {
	c.with(func() {
		c.log = append(c.log, "suspend")
		if c.st.Phase == link.Streaming {
			c.st.Phase = link.Suspended
		}
	})
}

func (c *fakeLink) Resume() {
	c.with(func() {
		c.log = append(c.log, "resume")
		if c.st.Phase == link.Suspended {
			c.st.Phase = link.Streaming
		}
	})
}

func (c *fakeLink) Abort() {
	c.with(func() {
		c.log = append(c.log, "abort")
		if c.st.Phase == link.Streaming || c.st.Phase == link.Suspended {
			c.halfway = true
		}
	})
}

func (c *fakeLink) EmergencyStop() error {
	c.mu.Lock()
	deaf := c.deaf
	c.mu.Unlock()
	if deaf {
		c.with(func() { c.log = append(c.log, "emergency") })
		return link.ErrUnconfirmed
	}
	c.with(func() {
		c.log = append(c.log, "emergency")
		c.fail(link.CauseHalted, "halted by M112")
	})
	return nil
}

func (c *fakeLink) Close() error {
	c.mu.Lock()
	was := c.closed
	c.closed = true
	c.st.Phase = link.Closed
	c.mu.Unlock()
	if was {
		return errors.New("closed twice")
	}
	close(c.quit)
	<-c.gone
	return nil
}

// did says whether a command was sent outside the stream.
func (c *fakeLink) did(cmd string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, s := range c.log {
		if s == cmd {
			return true
		}
	}
	return false
}

// sent is a copy of what was sent outside the stream.
func (c *fakeLink) sent() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]string(nil), c.log...)
}

// lifted says whether the nozzle was moved up by a command outside the stream.
func (c *fakeLink) lifted() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, s := range c.log {
		if up, ok := strings.CutPrefix(s, "G1 Z"); ok && up[0] != '-' {
			return true
		}
	}
	return false
}

// nothing is a port that is never used: the fake link needs none.
type nothing struct{ path string }

func (nothing) Read([]byte) (int, error)    { return 0, nil }
func (nothing) Write(p []byte) (int, error) { return len(p), nil }
func (nothing) Close() error                { return nil }

// errMended is how the bench tells refusing that it may let go.
var errMended = errors.New("mended")

// bench is a fleet over fake links, to be made inside a synctest bubble.
type bench struct {
	t     *testing.T
	f     *Fleet
	stop  context.CancelFunc
	ended chan struct{}

	mu     sync.Mutex
	links  map[string][]*fakeLink // by path, every link that was opened
	mended bool                   // what refusing refuses opens again
	there  map[string]bool        // false: the path does not exist
	prep   func(path string, c *fakeLink)
}

func newBench(t *testing.T, names []string, change func(*Options)) *bench {
	b := &bench{t: t, links: map[string][]*fakeLink{}, there: map[string]bool{}, ended: make(chan struct{})}
	o := Options{
		OpenPort: func(path string, baud int) (link.Port, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			if there, known := b.there[path]; known && !there {
				return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrNotExist}
			}
			if b.mended {
				return nothing{path}, errMended
			}
			return nothing{path}, nil
		},
		PathThere: func(path string) bool {
			b.mu.Lock()
			defer b.mu.Unlock()
			there, known := b.there[path]
			return there || !known
		},
		connect: func(p link.Port, _ link.Options) conn {
			path := p.(nothing).path
			c := newFakeLink()
			b.mu.Lock()
			defer b.mu.Unlock()
			if b.prep != nil {
				b.prep(path, c)
			}
			b.links[path] = append(b.links[path], c)
			return c
		},
	}
	for _, n := range names {
		o.Specs = append(o.Specs, Spec{Name: n, Path: "/dev/" + n, Baud: 115200, VolumeMM: [3]float64{200, 200, 200}})
	}
	if change != nil {
		change(&o)
	}
	b.f = New(o)
	ctx, cancel := context.WithCancel(context.Background())
	b.stop = cancel
	go func() {
		defer close(b.ended)
		if err := b.f.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	return b
}

// finish shuts the fleet down and waits for it.
func (b *bench) finish() {
	b.stop()
	<-b.ended
}

// newest returns the newest link of a printer.
func (b *bench) newest(name string) *fakeLink {
	b.mu.Lock()
	defer b.mu.Unlock()
	ls := b.links["/dev/"+name]
	if len(ls) == 0 {
		b.t.Fatalf("%s was never opened", name)
	}
	return ls[len(ls)-1]
}

// await waits in the bubble's time until a printer is in a phase.
func (b *bench) await(name string, want Phase, limit time.Duration) Snapshot {
	b.t.Helper()
	end := time.Now().Add(limit)
	for {
		s := b.f.Printer(name).Snapshot()
		if s.Phase == want {
			return s
		}
		if time.Now().After(end) {
			b.t.Fatalf("%s is %s (%s) after %s, want %s", name, s.Phase, s.Why, limit, want)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// journal keeps what it is given.
type journal struct {
	mu   sync.Mutex
	recs []LayerRecord
}

func (j *journal) Append(r LayerRecord) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.recs = append(j.recs, r)
}

func (j *journal) all() []LayerRecord {
	j.mu.Lock()
	defer j.mu.Unlock()
	return append([]LayerRecord(nil), j.recs...)
}

// piece is a small program of n layers of 0.2 mm and the run that prints it.
func piece(id int64, n int, j Journal) (Run, string) {
	var w bytes.Buffer
	line := int64(0)
	put := func(s string) {
		line++
		fmt.Fprintln(&w, s)
	}
	put("; a piece of the heron's left wing")
	put("M140 S60")
	put("M104 S200")
	put("M190 S60")
	put("M109 S200")
	put("G28")
	put("G90")
	put("M83")
	r := Run{ID: id, Label: "wing rib", Journal: j, HeightMM: 0.2 * float64(n)}
	for i := range n {
		put(fmt.Sprintf("G1 Z%.2f F600", 0.2*float64(i+1)))
		for k := range 8 {
			put(fmt.Sprintf("G1 X%d Y%d E0.5 F3000", 20+k%2*20, 20+k/2%2*20))
		}
		r.Layers = append(r.Layers, Layer{TopMM: 0.2 * float64(i+1), EndLine: line, EndS: 60 + 2*float64(i+1), FilamentMM: 4 * float64(i+1)})
	}
	put("M104 S0")
	put("M140 S0")
	put("G1 X0 Y190 F6000")
	put("M84")
	r.Lines = line
	r.EstimateS = 60 + 2*float64(n) + 4
	text := w.String()
	r.Open = func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	return r, text
}
