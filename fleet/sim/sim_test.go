package sim

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// talker is the host's end of a pipe to a printer in a synctest bubble.
type talker struct {
	t     *testing.T
	p     *Printer
	conn  net.Conn
	mu    sync.Mutex
	lines []string
	start time.Time
	trace bytes.Buffer
}

func talk(t *testing.T, o Options) *talker {
	t.Helper()
	host, board := net.Pipe()
	h := &talker{t: t, conn: host, start: time.Now()}
	o.Port = board
	if o.Trace == nil {
		o.Trace = &h.trace
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	h.p = p
	go func() {
		r := bufio.NewReader(host)
		for {
			l, err := r.ReadString('\n')
			if err != nil {
				return
			}
			h.mu.Lock()
			h.lines = append(h.lines, l[:len(l)-1])
			h.mu.Unlock()
		}
	}()
	return h
}

func (h *talker) close() {
	h.p.Close()
	h.conn.Close()
	synctest.Wait()
}

// send writes text as it is.
func (h *talker) send(text string) {
	h.t.Helper()
	if _, err := h.conn.Write([]byte(text)); err != nil {
		h.t.Fatal(err)
	}
}

// heard waits d and gives what came since the last call.
func (h *talker) heard(d time.Duration) []string {
	time.Sleep(d)
	synctest.Wait()
	h.mu.Lock()
	defer h.mu.Unlock()
	l := h.lines
	h.lines = nil
	return l
}

// ask sends a line and gives what comes within d.
func (h *talker) ask(line string, d time.Duration) []string {
	h.t.Helper()
	h.send(line + "\n")
	return h.heard(d)
}

func numbered(n int, text string) string {
	s := fmt.Sprintf("N%d %s", n, text)
	x := byte(0)
	for i := range len(s) {
		x ^= s[i]
	}
	return fmt.Sprintf("%s*%d", s, x)
}

func TestSmoke(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := talk(t, Options{})
		t.Log(h.heard(time.Second))
		t.Log(h.ask("M115", time.Second))
		t.Log(h.ask("M105", time.Second))
		t.Log(h.ask("M110 N0", time.Second))
		t.Log(h.ask(numbered(1, "G91"), time.Second))
		t.Log(h.ask(numbered(2, "G1 X10 F600"), time.Second))
		t.Log(h.ask(numbered(3, "M400"), 5*time.Second))
		t.Log(h.ask(numbered(4, "G4 S5"), 6*time.Second))
		t.Log(h.ask(numbered(5, "M109 S205"), 300*time.Second))
		t.Log(h.ask(numbered(6, "G28"), 20*time.Second))
		t.Log(h.ask(numbered(6, "G28"), 20*time.Second))
		t.Log(h.ask(numbered(9, "G28"), 20*time.Second))
		h.close()
		t.Log("\n" + h.trace.String())
		t.Log(strings.Join(h.lines, "\n"))
	})
}
