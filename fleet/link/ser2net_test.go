package link_test

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

// serialServer starts ser2net, a serial-to-network server from Debian, in front
// of a device, and returns where it listens and how to end it. Where ser2net is
// not installed the test is skipped, or fails where UNDERCROFT_SER2NET is
// "required", as it is in CI.
func serialServer(t *testing.T, device, accepter string) (address string, stop func()) {
	t.Helper()
	program, err := exec.LookPath("ser2net")
	if err != nil {
		if program = "/usr/sbin/ser2net"; os.Getenv("UNDERCROFT_SER2NET") == "required" {
			if _, err := os.Stat(program); err != nil {
				t.Fatal("ser2net is not installed, and UNDERCROFT_SER2NET says that it must be: apt-get install ser2net")
			}
		}
		if _, err := os.Stat(program); err != nil {
			t.Skip("ser2net is not installed: apt-get install ser2net")
		}
	}
	address = freeAddress(t)
	_, port, _ := net.SplitHostPort(address)
	config := filepath.Join(t.TempDir(), "ser2net.yaml")
	text := fmt.Sprintf("connection: &printer\n  accepter: %s,tcp,127.0.0.1,%s\n  connector: serialdev(nouucplock=true),%s,9600n81,local\n  options:\n    kickolduser: true\n", accepter, port, device)
	if accepter == "tcp" {
		text = fmt.Sprintf("connection: &printer\n  accepter: tcp,127.0.0.1,%s\n  connector: serialdev(nouucplock=true),%s,115200n81,local\n  options:\n    kickolduser: true\n", port, device)
	}
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-n", "-d", "-c", config)
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	over := false
	stop = func() {
		if !over {
			over = true
			cmd.Process.Kill()
			cmd.Wait()
		}
	}
	t.Cleanup(stop)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
			return address, stop
		}
		if time.Now().After(end) {
			t.Fatalf("ser2net does not listen: %v", err)
		}
	}
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// dial opens a link path until it works, as whoever reconnects does.
func dial(t *testing.T, path string, baud int) link.Port {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		port, err := link.OpenPort(path, baud)
		if err == nil {
			return port
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
}

func until(t *testing.T, c *link.Conn, what string, holds func(link.State) bool) link.State {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if s := c.State(); holds(s) {
			return s
		}
	}
	t.Fatalf("%s: not within a minute: %+v", what, c.State())
	return link.State{}
}

func idle(s link.State) bool { return s.Phase == link.Idle }

// A whole print through ser2net to a virtual printer on a pseudo-terminal, by
// telnet with RFC 2217 and raw; then one in which the server dies in mid-print:
// the run ends, and once the server is back the printer answers again.
func TestThroughSer2net(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	for _, c := range []struct{ scheme, accepter string }{{"rfc2217", "telnet(rfc2217)"}, {"tcp", "tcp"}} {
		t.Run(c.scheme, func(t *testing.T) {
			rec := &recorder{}
			device := filepath.Join(t.TempDir(), "port")
			printer, err := sim.New(sim.Options{Path: device, Pace: 500, OnExecute: rec.add})
			if err != nil {
				t.Fatal(err)
			}
			defer printer.Close()
			address, stop := serialServer(t, device, c.accepter)
			path := c.scheme + "://" + address
			conn := link.New(dial(t, path, 250000), link.Options{ListenFor: 100 * time.Millisecond})
			until(t, conn, "identified", idle)
			want := lantern(500)
			if err := conn.Stream(&lines{text: want}); err != nil {
				t.Fatal(err)
			}
			s := until(t, conn, "the end", func(s link.State) bool { return s.Finished || s.Fault != nil })
			if got := rec.all(); !s.Finished || !slices.Equal(got, want) {
				t.Fatalf("executed %d commands, the file has %d: %+v", len(got), len(want), s.Fault)
			}
			first := len(rec.all())
			if err := conn.Stream(&lines{text: want}); err != nil {
				t.Fatal(err)
			}
			until(t, conn, "under way", func(s link.State) bool { return s.Accepted > 150 })
			stop()
			cut := time.Now()
			s = until(t, conn, "the cut", func(s link.State) bool { return s.Fault != nil })
			noticed := time.Since(cut)
			conn.Close()
			if s.Fault.Cause != link.CausePortLost || s.Finished || s.Done > s.Accepted {
				t.Errorf("a cut connection ends as %+v", s)
			}
			if got := rec.all()[first:]; int64(len(got)) < s.Done || !slices.Equal(got, want[:len(got)]) {
				t.Errorf("%d commands were executed and %d said to be done", len(got), s.Done)
			}
			address, _ = serialServer(t, device, c.accepter)
			back := time.Now()
			again := link.New(dial(t, c.scheme+"://"+address, 250000), link.Options{ListenFor: 100 * time.Millisecond})
			defer again.Close()
			until(t, again, "identified again", idle)
			t.Logf("%s: the cut was noticed after %v; from the server's return to a printer that answers: %v", c.scheme, noticed.Round(time.Millisecond), time.Since(back).Round(time.Millisecond))
		})
	}
	if _, err := link.OpenPort("rfc2217://"+freeAddress(t), 115200); !errors.Is(err, syscall.ECONNREFUSED) {
		t.Errorf("nobody listens there: %v", err)
	}
}
