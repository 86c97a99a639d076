package link

import (
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func TestMain(m *testing.M) {
	flag.Parse()
	set := false
	flag.Visit(func(f *flag.Flag) { set = set || f.Name == "rapid.checks" })
	if !set {
		flag.Set("rapid.checks", "15") // a case is a whole print; more with -rapid.checks
	}
	os.Exit(m.Run())
}

// board is a Port with a model behind it, in a synctest bubble.
type board struct {
	mu     sync.Mutex
	m      *model
	stuck  chan struct{} // not nil: writes hang until it is closed
	broken error
	panics bool
	closed chan struct{}
	wake   chan struct{}
	wrote  []byte
}

func newBoard(mo modelOptions) *board {
	b := &board{m: newModel(mo, time.Now()), closed: make(chan struct{}), wake: make(chan struct{}, 1)}
	return b
}

func (b *board) Write(p []byte) (int, error) {
	b.mu.Lock()
	stuck, err := b.stuck, b.broken
	b.mu.Unlock()
	if stuck != nil {
		<-stuck
	}
	if err != nil {
		return 0, err
	}
	b.mu.Lock()
	for _, c := range p {
		b.m.take(c)
	}
	b.wrote = append(b.wrote, p...)
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default:
	}
	return len(p), nil
}

func (b *board) Read(p []byte) (int, error) {
	for {
		b.mu.Lock()
		if b.panics {
			b.mu.Unlock()
			panic("a descriptor too high for select")
		}
		if b.broken != nil {
			err := b.broken
			b.mu.Unlock()
			return 0, err
		}
		b.m.run(time.Now())
		n, _ := b.m.out.Read(p)
		wait := time.Until(b.m.next())
		b.mu.Unlock()
		if n > 0 {
			return n, nil
		}
		t := time.NewTimer(max(wait, time.Millisecond))
		select {
		case <-b.wake:
		case <-t.C:
			t.Stop()
			return 0, nil // as a serial port does when its read times out
		case <-b.closed:
			t.Stop()
			return 0, errors.New("port has been closed")
		}
		t.Stop()
	}
}

func (b *board) Close() error {
	close(b.closed)
	return nil
}

func (b *board) set(f func()) {
	b.mu.Lock()
	f()
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

func wait(t *testing.T, c *Conn, cond func(State) bool) State {
	t.Helper()
	end := time.After(time.Hour)
	for {
		if s := c.State(); cond(s) {
			return s
		}
		select {
		case <-c.Changed():
		case <-time.After(time.Second):
		case <-end:
			t.Fatalf("waited an hour: %s", c.Dump())
		}
	}
}

func idle(s State) bool { return s.Phase == Idle || s.Phase == Failed }

func TestConnStreamsDoesAndCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(modelOptions{})
		c := New(b, Options{})
		if s := wait(t, c, idle); s.Phase != Idle || !s.Reachable || !s.Numbered {
			t.Fatalf("%+v", s)
		}
		lines := moves(120)
		if err := c.Stream(&sliceSource{lines: lines}); err != nil {
			t.Fatal(err)
		}
		wait(t, c, func(s State) bool { return s.Accepted > 30 })
		l, err := c.Do(context.Background(), "M105")
		if err != nil || len(l) != 1 || !strings.HasPrefix(l[0], "T:20.66") {
			t.Errorf("%q %v", l, err)
		}
		c.Suspend()
		wait(t, c, func(s State) bool { return s.Accepted == s.Sent })
		c.Resume()
		s := wait(t, c, idle)
		if !s.Finished || s.Done != int64(len(lines)) || s.Fault != nil {
			t.Fatalf("%+v %+v", s, s.Fault)
		}
		if got := sourceOnly(b.m.handled, 0); !slices.Equal(got, lines) {
			t.Fatal(diff(got, lines))
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
		if c.State().Phase != Closed {
			t.Error("not closed")
		}
		if err := c.Close(); err != nil {
			t.Errorf("closed twice: %v", err)
		}
		if _, err := c.Do(context.Background(), "M105"); !errors.Is(err, ErrClosed) {
			t.Errorf("Do after Close: %v", err)
		}
		if err := c.EmergencyStop(); !errors.Is(err, ErrClosed) {
			t.Errorf("EmergencyStop after Close: %v", err)
		}
	})
}

func TestConnPortLost(t *testing.T) {
	for name, spoil := range map[string]func(*board){
		"read fails":    func(b *board) { b.broken = io.EOF },
		"driver panics": func(b *board) { b.panics = true },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(modelOptions{})
				c := New(b, Options{})
				wait(t, c, idle)
				c.Stream(&sliceSource{lines: moves(120)})
				wait(t, c, func(s State) bool { return s.Accepted > 30 })
				b.set(func() { spoil(b) })
				s := wait(t, c, idle)
				if s.Fault == nil || s.Fault.Cause != CausePortLost || s.Fault.Line == 0 || s.Reachable {
					t.Errorf("%+v", s.Fault)
				}
				if _, err := c.Do(context.Background(), "M105"); err == nil {
					t.Error("Do on a lost port")
				}
				c.Close()
			})
		})
	}
}

// A write that hangs does not hang the callers; the port is left alone at Close.
func TestConnWriteHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(modelOptions{})
		c := New(b, Options{})
		wait(t, c, idle)
		c.Stream(&sliceSource{lines: moves(120)})
		wait(t, c, func(s State) bool { return s.Accepted > 30 })
		b.set(func() { b.stuck = make(chan struct{}) })
		from := time.Now()
		s := wait(t, c, idle)
		if s.Fault == nil || s.Fault.Cause != CausePortLost || time.Since(from) > 20*time.Second {
			t.Errorf("after %v: %+v", time.Since(from), s.Fault)
		}
		if err := c.Close(); err == nil {
			t.Error("the port was closed under a write")
		}
		select {
		case <-b.closed:
			t.Error("the port was closed under a write")
		default:
		}
		close(b.stuck)
		b.Close()
		synctest.Wait()
	})
}

func TestConnEmergencyStop(t *testing.T) {
	for _, mo := range families {
		synctest.Test(t, func(t *testing.T) {
			b := newBoard(mo)
			c := New(b, Options{})
			wait(t, c, idle)
			c.Stream(&sliceSource{lines: append([]string{"G28", "G91", "G1 X300 F60"}, moves(60)[3:]...)})
			wait(t, c, func(s State) bool { return s.Accepted > 15 })
			time.Sleep(2 * time.Second) // planner and queue are full, behind a move of five minutes
			err := c.EmergencyStop()
			if deaf := mo.careless || mo.receipt; !deaf && err != nil || deaf && !errors.Is(err, ErrUnconfirmed) {
				t.Errorf("%+v: %v", mo, err)
			}
			if s := c.State(); s.Phase != Failed || s.Fault.Cause != CauseHalted {
				t.Errorf("%+v", s.Fault)
			}
			if !strings.Contains(string(b.wrote), "\nM112\n") {
				t.Error("M112 was not written on a line of its own")
			}
			c.Close()
		})
	}
}

// A command whose context ends first must not take the answer of the next one.
func TestConnDoGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(modelOptions{})
		c := New(b, Options{})
		wait(t, c, idle)
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if _, err := c.Do(ctx, "M109 S200"); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
		l, err := c.Do(context.Background(), "M114")
		if err != nil || len(l) != 1 || !strings.HasPrefix(l[0], "X:") {
			t.Errorf("%q %v", l, err)
		}
		c.Close()
	})
}

// A bug in the source, or in the engine, faults this link and nothing else.
type panicking struct{}

func (panicking) Next() ([]byte, int64, error) { panic("for the test") }

func TestConnContainsBugs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(modelOptions{})
		c := New(b, Options{})
		wait(t, c, idle)
		c.Stream(panicking{})
		if s := wait(t, c, idle); s.Fault == nil || s.Fault.Cause != CauseInternal {
			t.Errorf("%+v", s.Fault)
		}
		c.Close()
	})
}
