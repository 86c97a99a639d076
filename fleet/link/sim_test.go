package link_test

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

type lines struct {
	text []string
	at   int
}

func (l *lines) Next() ([]byte, int64, error) {
	if l.at >= len(l.text) {
		return nil, 0, io.EOF
	}
	l.at++
	return []byte(l.text[l.at-1]), int64(l.at), nil
}

// lantern is a small print: a warm-up, then rings of short relative moves with
// a layer change now and then.
func lantern(moves int) []string {
	out := []string{"M140 S60", "M104 S200", "G28", "M190 S60", "M109 S200", "G90", "G1 X60 Y60 Z0.3 F6000", "G91", "M83", "G1 F2400"}
	for i := range moves {
		dx, dy := 1.0, 0.5
		switch i / 20 % 4 {
		case 1:
			dx, dy = -0.5, 1
		case 2:
			dx, dy = -1, -0.5
		case 3:
			dx, dy = 0.5, -1
		}
		out = append(out, fmt.Sprintf("G1 X%.3f Y%.3f E%.5f", dx, dy, 0.04+float64(i%5)/1000))
		if i%240 == 239 {
			out = append(out, "G1 Z0.2 F300", "M106 S128", "G1 F2400", "G92 E0")
		}
	}
	return append(out, "M104 S0", "M140 S0", "M107", "G90")
}

type recorder struct {
	mu   sync.Mutex
	text []string
}

func (r *recorder) add(e sim.Executed) {
	switch t := string(e.Text); {
	case t == "" || !strings.Contains("GMT", t[:1]):
		// What noise makes of a line that lost its N: unknown, and without effect.
	case strings.HasPrefix(t, "M105"), strings.HasPrefix(t, "M114"), strings.HasPrefix(t, "M110"), strings.HasPrefix(t, "M400"),
		strings.HasPrefix(t, "M155"), strings.HasPrefix(t, "M115"), strings.HasPrefix(t, "M503"), strings.HasPrefix(t, "M211"), strings.HasPrefix(t, "G4 P1"):
	default:
		r.mu.Lock()
		r.text = append(r.text, t)
		r.mu.Unlock()
	}
}

func (r *recorder) all() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.text)
}

func connect(t *testing.T, so sim.Options, lo link.Options) (*link.Conn, *sim.Printer, *recorder) {
	t.Helper()
	rec := &recorder{}
	so.Path = filepath.Join(t.TempDir(), "port")
	so.OnExecute = rec.add
	p, err := sim.New(so)
	if err != nil {
		t.Fatal(err)
	}
	port, err := link.OpenPort(so.Path, 115200)
	if err != nil {
		p.Close()
		t.Fatal(err)
	}
	lo.ListenFor = 100 * time.Millisecond
	c := link.New(port, lo)
	t.Cleanup(func() {
		c.Close()
		p.Close()
	})
	return c, p, rec
}

func await(t *testing.T, c *link.Conn, limit time.Duration, cond func(link.State) bool) link.State {
	t.Helper()
	end := time.After(limit)
	for {
		s := c.State()
		if cond(s) {
			return s
		}
		select {
		case <-c.Changed():
		case <-end:
			t.Fatalf("not within %v: %+v fault %+v\n%s", limit, s, s.Fault, c.Dump())
		}
	}
}

func ready(s link.State) bool { return s.Phase == link.Idle || s.Phase == link.Failed }

// TestWholeStreamOverPty streams a print to a virtual printer of each family on
// a real pseudo-terminal: what it executed is the source, line for line.
func TestWholeStreamOverPty(t *testing.T) {
	for _, so := range []sim.Options{
		{Family: sim.FamilyA}, {Family: sim.FamilyA, AllOptions: true}, {Family: sim.FamilyB},
		{Family: sim.FamilyC}, {Family: sim.FamilyD}, {Family: sim.FamilyE},
	} {
		t.Run(fmt.Sprintf("%s-%v", so.Family, so.AllOptions), func(t *testing.T) {
			t.Parallel()
			so.Pace = 120
			c, p, rec := connect(t, so, link.Options{AuditEvery: 500 * time.Millisecond})
			s := await(t, c, 6*time.Second, ready)
			if s.Phase != link.Idle {
				t.Fatalf("%+v", s.Fault)
			}
			src := lantern(1000)
			if so.Family == sim.FamilyE {
				// It has no heat-and-wait, and would print cold: no extrusion then.
				src = slices.DeleteFunc(src, func(l string) bool { return strings.HasPrefix(l, "M109") || strings.HasPrefix(l, "M190") })
				for i := range src {
					src[i], _, _ = strings.Cut(src[i], " E")
				}
			}
			if err := c.Stream(&lines{text: src}); err != nil {
				t.Fatal(err)
			}
			s = await(t, c, time.Minute, ready)
			if s.Fault != nil || !s.Finished || s.Done != int64(len(src)) {
				t.Fatalf("%+v\n%+v\n%s", s.Fault, s, strings.Join(tail(rec.all(), 5), "\n"))
			}
			if got := rec.all(); !slices.Equal(got, src) {
				t.Fatalf("executed %d of %d, or in another order", len(got), len(src))
			}
			if s.Resends > 0 || s.Timeouts > 1 {
				t.Errorf("%d resends, %d timeouts on a clean line", s.Resends, s.Timeouts)
			}
			ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
			defer cancel()
			l, err := c.Do(ctx, "M114")
			t.Logf("numbered %v window %d audits %d share %.2f rtt %v %v starved %v truth %d M114 %q %v",
				s.Numbered, s.Window, s.Audits, s.LineShare, s.RTTp50, s.RTTp99, s.Starved, p.Truth().Commands, l, err)
		})
	}
}

func tail(s []string, n int) []string { return s[max(0, len(s)-n):] }

// A firmware that changes its filament moves by itself and tells where it
// stands: that is no damaged command, whatever question was on its way.
func TestFilamentChangeIsNoDamage(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	c, p, _ := connect(t, sim.Options{AllOptions: true, Pace: 100}, link.Options{AuditEvery: time.Millisecond})
	await(t, c, 20*time.Second, func(s link.State) bool { return s.Phase == link.Idle })
	text := []string{"M302 P1", "G28", "G90", "M83", "G1 X60 Y60 Z0.3 F6000"}
	for i := range 3000 {
		text = append(text, fmt.Sprintf("G1 X%d Y%d E0.5 F2400", 60+i%2*30, 60+i/2%2*30))
	}
	if err := c.Stream(&lines{text: text}); err != nil {
		t.Fatal(err)
	}
	await(t, c, 30*time.Second, func(s link.State) bool { return s.Audits > 20 })
	p.SetFilament(false)
	parked := false
	for end := time.Now().Add(30 * time.Second); !parked && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		for _, n := range c.Notices() {
			parked = parked || strings.HasPrefix(n.Text, "//action:paused")
		}
	}
	if !parked {
		t.Fatal("the firmware did not pause")
	}
	c.Suspend()
	time.Sleep(500 * time.Millisecond) // 50 s of the machine's: it has parked and told where
	if s := c.State(); s.Phase != link.Suspended {
		t.Errorf("%s after a filament change: %+v", s.Phase, s.Fault)
	}
}
