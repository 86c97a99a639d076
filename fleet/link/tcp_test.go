package link_test

import (
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

// TestRawTCP streams over a raw serial-to-network connection, and cuts another
// one in mid-stream.
func TestRawTCP(t *testing.T) {
	for _, cut := range []bool{false, true} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		rec := &recorder{}
		printers := make(chan *sim.Printer, 1)
		wires := make(chan net.Conn, 1)
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p, err := sim.New(sim.Options{Port: c, Pace: 500, OnExecute: rec.add})
			if err != nil {
				return
			}
			wires <- c
			printers <- p
		}()
		port, err := link.OpenPort("tcp://"+l.Addr().String(), 0)
		if err != nil {
			t.Fatal(err)
		}
		conn := link.New(port, link.Options{ListenFor: 100 * time.Millisecond})
		defer conn.Close()
		wire, printer := <-wires, <-printers
		defer printer.Close()
		wait := func(what string, holds func(link.State) bool) link.State {
			t.Helper()
			for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
				if s := conn.State(); holds(s) {
					return s
				}
			}
			t.Fatalf("%s: not within 30 s: %+v", what, conn.State())
			return link.State{}
		}
		wait("identified", func(s link.State) bool { return s.Phase == link.Idle })
		want := lantern(600)
		if err := conn.Stream(&lines{text: want}); err != nil {
			t.Fatal(err)
		}
		if cut {
			wait("under way", func(s link.State) bool { return s.Accepted > 200 })
			wire.Close()
			s := wait("the cut", func(s link.State) bool { return s.Fault != nil })
			if s.Fault.Cause != link.CausePortLost || s.Finished {
				t.Errorf("a cut connection ends as %+v", s.Fault)
			}
			if got := rec.all(); len(got) > len(want) || !slices.Equal(got, want[:len(got)]) {
				t.Error("what was executed before the cut is not the file's beginning")
			}
			continue
		}
		wait("the end", func(s link.State) bool { return s.Finished })
		if got := rec.all(); !slices.Equal(got, want) {
			t.Errorf("executed %d commands, the file has %d", len(got), len(want))
		}
	}
	if _, err := link.OpenPort("tcp://127.0.0.1:1", 0); err == nil || !strings.Contains(err.Error(), "127.0.0.1:1") {
		t.Errorf("nobody listens there: %v", err)
	}
}
