package link

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"sync"
	"time"
)

// writeStuck is how long a write may hang before the port counts as lost.
const writeStuck = 5 * time.Second

// Conn is one conversation with one printer. Three goroutines at most touch
// it: the reader, which runs the protocol on what it read and writes the answer
// itself, so that no hand-over lies between an ok and the next line; the clock,
// which runs what is due; and whoever calls a method. They take turns.
type Conn struct {
	port    Port
	o       Options
	changed chan struct{}
	kick    chan struct{} // the clock's deadline moved forward
	done    chan struct{} // Close was called
	wg      sync.WaitGroup

	mu      sync.Mutex
	e       *engine
	armed   time.Time // when the clock will wake
	pending []byte    // to be written
	spare   []byte
	writing bool      // somebody is in port.Write
	wrote   time.Time // since when
	closing bool
	stopped chan struct{} // closed when a halt was seen after an emergency stop
}

// New starts the conversation on an open port.
func New(p Port, o Options) *Conn {
	o = o.withDefaults()
	c := &Conn{
		port: p, o: o,
		changed: make(chan struct{}, 1),
		kick:    make(chan struct{}, 1),
		done:    make(chan struct{}),
		e:       newEngine(o, o.Now()),
		pending: make([]byte, 0, 1024),
		spare:   make([]byte, 0, 1024),
		stopped: make(chan struct{}),
	}
	c.wg.Add(2)
	go c.read()
	go c.clock()
	return c
}

// act runs f on the engine under the lock, then writes what came of it.
func (c *Conn) act(f func(now time.Time, e *engine)) {
	c.mu.Lock()
	func() {
		defer c.contain()
		f(c.o.Now(), c.e)
	}()
	c.after()
}

// contain turns a bug of the engine into a fault of this one link.
func (c *Conn) contain() {
	if r := recover(); r != nil {
		c.o.Log.Error("link: contained a bug", "panic", r, "stack", string(debug.Stack()))
		c.e.fail(c.o.Now(), CauseInternal, "a bug in the link was contained: %v", r)
	}
}

// after is called with the lock held and gives it back: it tells the watchers,
// moves the clock, and writes. Only one goroutine is in port.Write at a time;
// the others leave their bytes with it. Lock and write are apart, so that a
// write that hangs does not hang the callers.
func (c *Conn) after() {
	e := c.e
	if e.changed {
		e.changed = false
		select {
		case c.changed <- struct{}{}:
		default:
		}
	}
	if e.stopSeen {
		select {
		case <-c.stopped:
		default:
			close(c.stopped)
		}
	}
	if d := e.Deadline(); !d.IsZero() && (c.armed.IsZero() || d.Before(c.armed)) {
		c.armed = d
		select {
		case c.kick <- struct{}{}:
		default:
		}
	}
	if len(e.out) > 0 {
		c.pending = append(c.pending, e.out...)
		e.out = e.out[:0]
	}
	for !c.writing && !c.closing && len(c.pending) > 0 {
		b := c.pending
		c.pending, c.spare = c.spare[:0], b
		c.writing, c.wrote = true, c.o.Now()
		c.mu.Unlock()
		err := c.writeAll(b)
		c.mu.Lock()
		c.writing = false
		if err != nil {
			c.e.portFailed(c.o.Now(), err)
			c.pending = c.pending[:0]
		}
	}
	c.mu.Unlock()
}

func (c *Conn) writeAll(b []byte) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the port's driver broke: %v", r)
		}
	}()
	for len(b) > 0 {
		n, err := c.port.Write(b)
		if err != nil {
			return err
		}
		if n <= 0 {
			return errors.New("nothing could be written")
		}
		b = b[n:]
	}
	return nil
}

// read is the reader goroutine.
func (c *Conn) read() {
	defer c.wg.Done()
	var buf [1024]byte
	for {
		n, err := c.readOnce(buf[:])
		c.mu.Lock()
		if c.closing {
			c.mu.Unlock()
			return
		}
		if n > 0 {
			func() {
				defer c.contain()
				c.e.Receive(c.o.Now(), buf[:n])
			}()
		}
		if err != nil {
			c.e.portFailed(c.o.Now(), err)
		}
		c.after()
		if err != nil {
			return
		}
	}
}

// readOnce contains what a port's driver may panic with, such as a descriptor
// too high for the system call that it uses.
func (c *Conn) readOnce(b []byte) (n int, err error) {
	defer func() {
		if r := recover(); r != nil {
			n, err = 0, fmt.Errorf("the port's driver broke: %v", r)
		}
	}()
	return c.port.Read(b)
}

// clock is the goroutine that runs what is due.
func (c *Conn) clock() {
	defer c.wg.Done()
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		c.mu.Lock()
		now := c.o.Now()
		if c.writing && now.Sub(c.wrote) > writeStuck {
			c.e.portFailed(now, errors.New("a write has hung for 5 seconds: nothing takes the bytes"))
		}
		next := c.e.Deadline()
		if !next.IsZero() && !now.Before(next) {
			func() {
				defer c.contain()
				c.e.Tick(now)
			}()
			next = c.e.Deadline()
			if !next.IsZero() && !now.Before(next) {
				next = now.Add(5 * time.Millisecond) // never spin, whatever the engine says
			}
		}
		c.armed = next
		if next.IsZero() {
			next = now.Add(time.Hour)
		}
		if c.writing && next.Sub(now) > time.Second {
			next = now.Add(time.Second)
			c.armed = next
		}
		c.after()
		timer.Reset(max(next.Sub(now), time.Millisecond))
		select {
		case <-timer.C:
		case <-c.kick:
		case <-c.done:
			return
		}
	}
}

// Changed has a value after anything in State changed.
func (c *Conn) Changed() <-chan struct{} { return c.changed }

// State copies what the link knows.
func (c *Conn) State() State {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.e.state(c.o.Now())
}

// Notices drains the lines that somebody above may have to act on.
func (c *Conn) Notices() []Notice {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.e.notices
	c.e.notices = nil
	return n
}

// Do sends one command outside or in the middle of a stream and returns its
// reply lines without the ok. It waits its turn: behind a heat-and-wait the
// answer comes when the heat has been reached. When ctx ends first the command
// may still be executed.
func (c *Conn) Do(ctx context.Context, cmd string) ([]string, error) {
	var d *doRequest
	var err error
	c.act(func(now time.Time, e *engine) {
		d, err = e.request(now, []byte(strings.TrimSpace(cmd)))
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", cmd, err)
	}
	select {
	case <-d.done:
	case <-ctx.Done():
		c.act(func(_ time.Time, _ *engine) {
			if !d.over {
				d.over, d.err = true, ctx.Err()
			}
		})
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if d.err != nil {
		return nil, fmt.Errorf("%s: %w", cmd, d.err)
	}
	return d.lines, nil
}

// Stream starts sending a source. Progress is in State; the end is Finished or
// a Fault. The source is read from the link's goroutines, one call at a time.
func (c *Conn) Stream(src Source) error {
	var err error
	c.act(func(now time.Time, e *engine) { err = e.stream(now, src) })
	return err
}

// Suspend sends nothing more of the source until Resume; what is on its way is awaited.
func (c *Conn) Suspend() { c.act(func(_ time.Time, e *engine) { e.suspend() }) }

// Resume goes on with the source.
func (c *Conn) Resume() { c.act(func(now time.Time, e *engine) { e.resume(now) }) }

// Abort sends nothing more of the source, waits for what is on its way until
// the planner is empty, and goes back to Idle; Done then tells what was executed.
func (c *Conn) Abort() { c.act(func(now time.Time, e *engine) { e.abort(now) }) }

// EmergencyStop sends M112 at once, whatever else is going on. It waits a
// moment for the firmware to confirm; ErrUnconfirmed when it does not.
func (c *Conn) EmergencyStop() error {
	closed := false
	c.act(func(now time.Time, e *engine) {
		if closed = e.phase == Closed || c.closing; !closed {
			e.stop(now)
		}
	})
	if closed {
		return ErrClosed
	}
	t := time.NewTimer(1500 * time.Millisecond)
	defer t.Stop()
	select {
	case <-c.stopped:
		return nil
	case <-t.C:
		return ErrUnconfirmed
	case <-c.done:
		return ErrClosed
	}
}

// Close ends the conversation and closes the port. A port with a write that
// hangs is not closed: its descriptor could be given to another file under the
// write's hands; it is left to the end of the process.
func (c *Conn) Close() error {
	c.mu.Lock()
	if c.closing {
		c.mu.Unlock()
		return nil
	}
	c.closing = true
	c.e.close()
	stuck := c.writing
	c.mu.Unlock()
	close(c.done)
	select {
	case c.changed <- struct{}{}:
	default:
	}
	for i := 0; stuck && i < 50; i++ {
		// A write that was in flight normally ends within a moment.
		time.Sleep(10 * time.Millisecond)
		c.mu.Lock()
		stuck = c.writing
		c.mu.Unlock()
	}
	if stuck {
		return errors.New("the port was left open: a write on it hangs")
	}
	err := c.port.Close()
	c.wg.Wait()
	return err
}
