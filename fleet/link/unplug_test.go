package link_test

import (
	"net"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

// cord is a printer on a line that can be pulled out and put back.
type cord struct {
	path string
	pull func()
	back func()
}

// usb is a pseudo-terminal that goes and comes back under the same name.
func usb(t *testing.T, o sim.Options) (*sim.Printer, cord) {
	o.Path = filepath.Join(t.TempDir(), "port")
	p, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p, cord{o.Path, p.Unplug, func() { p.Replug(nil) }}
}

// network is a raw serial server of one connection at a time.
func network(t *testing.T, o sim.Options) (*sim.Printer, cord) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	wires := make(chan net.Conn, 4)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wires <- c
		}
	}()
	// The printer is there before anybody connects, as a board behind a server is.
	near, far := net.Pipe()
	near.Close()
	o.Port = far
	p, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	plugged := make(chan net.Conn, 1)
	take := func() {
		c := <-wires
		p.Unplug()
		p.Replug(c)
		plugged <- c
	}
	go take()
	return p, cord{"tcp://" + l.Addr().String(), func() { (<-plugged).Close(); p.Unplug() }, func() { go take() }}
}

// The cable is pulled in every phase of a conversation and put back: what the
// link says, what it recorded, and how long it takes until the printer answers.
func TestUnplugInEveryPhase(t *testing.T) {
	if testing.Short() {
		t.Skip("real time")
	}
	heating := append([]string{"M140 S60", "M190 S110"}, lantern(100)...)
	dwelling := append([]string{"G28", "G4 S300"}, lantern(100)...)
	for _, c := range []struct {
		phase string
		file  []string
		when  func(link.State) bool
		then  func(*link.Conn)
	}{
		{"opening", nil, func(s link.State) bool { return s.BytesOut > 0 }, nil},
		{"idle", nil, idle, nil},
		{"streaming", lantern(3000), func(s link.State) bool { return s.Accepted > 100 }, nil},
		{"heating", heating, func(s link.State) bool { return s.Sent >= 2 }, nil},
		{"in a dwell", dwelling, func(s link.State) bool { return s.Sent >= 2 }, nil},
		{"suspended", lantern(3000), func(s link.State) bool { return s.Accepted > 100 }, (*link.Conn).Suspend},
		{"being given up", lantern(3000), func(s link.State) bool { return s.Accepted > 100 }, (*link.Conn).Abort},
	} {
		for _, line := range []struct {
			name string
			make func(*testing.T, sim.Options) (*sim.Printer, cord)
		}{{"pty", usb}, {"network", network}} {
			t.Run(c.phase+" "+line.name, func(t *testing.T) {
				t.Parallel()
				rec := &recorder{}
				_, cord := line.make(t, sim.Options{Pace: 100, OnExecute: rec.add})
				conn := link.New(dial(t, cord.path, 115200), link.Options{ListenFor: 100 * time.Millisecond})
				defer conn.Close()
				if c.file != nil {
					until(t, conn, "identified", idle)
					if err := conn.Stream(&lines{text: c.file}); err != nil {
						t.Fatal(err)
					}
				}
				until(t, conn, c.phase, c.when)
				if c.then != nil {
					c.then(conn)
				}
				cord.pull()
				pulled := time.Now()
				s := until(t, conn, "the pull", func(s link.State) bool { return s.Fault != nil })
				noticed := time.Since(pulled)
				conn.Close()
				got := rec.all()
				if s.Fault.Cause != link.CausePortLost || s.Finished || s.Reachable {
					t.Errorf("it ends as %+v", s.Fault)
				}
				if n := min(len(got), len(c.file)); !slices.Equal(got[:n], c.file[:n]) {
					t.Errorf("%d commands were executed, and they are not the file's", len(got))
				}
				if c.file == nil && s.Fault.Line != 0 || c.file != nil && s.Fault.Line == 0 && s.Sent > s.Done {
					t.Errorf("line %d", s.Fault.Line)
				}
				cord.back()
				back := time.Now()
				again := link.New(dial(t, cord.path, 115200), link.Options{ListenFor: 100 * time.Millisecond})
				defer again.Close()
				limit := func(s link.State) bool { return idle(s) || s.Phase == link.Failed }
				now := until(t, again, "back", limit)
				if now.Phase != link.Idle {
					t.Fatalf("not back: %+v", now.Fault)
				}
				answers := time.Since(back)
				if executed := int64(len(rec.all())); s.Done > executed {
					t.Errorf("%d commands were said to be done, %d are executed", s.Done, executed)
				}
				t.Logf("noticed after %v; sent %d, acknowledged %d, recorded %d, executed %d; answers again after %v",
					noticed.Round(time.Millisecond), s.Sent, s.Accepted, s.Done, len(rec.all()), answers.Round(10*time.Millisecond))
			})
		}
	}
}
