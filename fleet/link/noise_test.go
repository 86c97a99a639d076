package link_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
)

// noise is a port on which things go wrong, each with its own rate.
type noise struct {
	link.Port
	rates
	mu   sync.Mutex
	rng  *rand.Rand
	on   bool
	log  bytes.Buffer
	part []byte
	// slipped counts damaged lines whose checksum is right all the same.
	slipped int
}

// rightSum says that no checksum can show the damage of a line.
func rightSum(line []byte) bool {
	line = bytes.TrimRight(line, "\n")
	star := bytes.LastIndexByte(line, '*')
	if star < 0 || line[0] != 'N' {
		return false
	}
	var x byte
	for _, c := range line[:star] {
		x ^= c
	}
	return string(line[star+1:]) == strconv.Itoa(int(x))
}

type rates struct {
	flip  float64 // each byte written
	drop  float64
	lost  float64 // each whole write
	noOK  float64 // each line read that is an ok
	twice float64
	bend  float64 // each byte read
}

func (n *noise) Write(p []byte) (int, error) {
	n.mu.Lock()
	fmt.Fprintf(&n.log, "> %q\n", p)
	if !n.on {
		n.mu.Unlock()
		return n.Port.Write(p)
	}
	var out []byte
	if n.rng.Float64() >= n.lost {
		for _, c := range p {
			if n.rng.Float64() < n.drop {
				continue
			}
			if n.rng.Float64() < n.flip {
				c ^= 1 << n.rng.IntN(8)
			}
			out = append(out, c)
		}
	}
	if !bytes.Equal(out, p) {
		fmt.Fprintf(&n.log, "! %q\n", out)
		for l := range bytes.Lines(out) {
			if !bytes.Contains(p, l) && rightSum(l) {
				n.slipped++
			}
		}
	}
	n.mu.Unlock()
	if len(out) > 0 {
		if _, err := n.Port.Write(out); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

func (n *noise) Read(p []byte) (int, error) {
	buf := make([]byte, 256)
	for {
		got, err := n.Port.Read(buf)
		if err != nil {
			return 0, err
		}
		n.mu.Lock()
		n.part = append(n.part, buf[:got]...)
		var out []byte
		for {
			i := bytes.IndexByte(n.part, '\n')
			if i < 0 {
				break
			}
			line := n.part[:i+1]
			fmt.Fprintf(&n.log, "< %q\n", line)
			times := 1
			if n.on && bytes.HasPrefix(line, []byte("ok")) {
				if n.rng.Float64() < n.noOK {
					times = 0
				} else if n.rng.Float64() < n.twice {
					times = 2
				}
			}
			for range times {
				for _, c := range line {
					if n.on && n.rng.Float64() < n.bend {
						c ^= 1 << n.rng.IntN(8)
					}
					out = append(out, c)
				}
			}
			n.part = n.part[i+1:]
		}
		n.mu.Unlock()
		if len(out) > 0 {
			return copy(p, out), nil
		}
	}
}

// TestNoiseOverPty streams over a real pseudo-terminal through noise: what was
// executed is the source, or the stream stopped with a cause.
// NOISE_SEED=n replays one seed.
func TestNoiseOverPty(t *testing.T) {
	first, last := uint64(1), uint64(1)
	if s, err := strconv.ParseUint(os.Getenv("NOISE_SEED"), 10, 64); err == nil {
		first, last = s, s
	}
	if s, err := strconv.ParseUint(os.Getenv("NOISE_SEEDS"), 10, 64); err == nil {
		last = s
	}
	kinds := map[string]rates{
		"flips": {flip: 3e-4}, "drops": {drop: 3e-4}, "lines": {lost: 0.005},
		"oks": {noOK: 0.01, twice: 0.01}, "replies": {bend: 5e-4},
		"all": {flip: 1e-4, drop: 1e-4, lost: 0.001, noOK: 0.003, twice: 0.003, bend: 1e-4},
	}
	for _, so := range []sim.Options{{Family: sim.FamilyA}, {Family: sim.FamilyA, AllOptions: true}} {
		for name, kind := range kinds {
			t.Run(fmt.Sprintf("%s-%v/%s", so.Family, so.AllOptions, name), func(t *testing.T) {
				t.Parallel()
				for seed := first; seed <= last; seed++ {
					noisy(t, so, kind, seed)
				}
			})
		}
	}
}

func noisy(t *testing.T, so sim.Options, kind rates, seed uint64) {
	so.Pace, so.Seed = 120, seed
	rec := &recorder{}
	so.Path = t.TempDir() + "/port"
	so.OnExecute = rec.add
	p, err := sim.New(so)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	port, err := link.OpenPort(so.Path, 115200)
	if err != nil {
		t.Fatal(err)
	}
	n := &noise{Port: port, rates: kind, rng: rand.New(rand.NewPCG(seed, 1))}
	c := link.New(n, link.Options{ListenFor: 100 * time.Millisecond, AuditEvery: 500 * time.Millisecond})
	defer c.Close()
	if s := await(t, c, 10*time.Second, ready); s.Phase != link.Idle {
		t.Fatalf("%+v", s.Fault)
	}
	n.mu.Lock()
	n.on = true
	n.mu.Unlock()
	src := lantern(400)
	if err := c.Stream(&lines{text: src}); err != nil {
		t.Fatal(err)
	}
	s := await(t, c, 2*time.Minute, ready)
	time.Sleep(50 * time.Millisecond)
	got := rec.all()
	if int64(len(got)) < s.Done {
		t.Errorf("seed %d: Done is %d, executed are %d", seed, s.Done, len(got))
	}
	ok := true
	if n.slipped > 0 {
		t.Logf("seed %d: %d damaged lines with a right checksum", seed, n.slipped)
	} else if s.Finished {
		ok = slices.Equal(got, src)
	} else if s.Fault.Cause != link.CausePosition && s.Fault.Cause != link.CauseDesync {
		ok = len(got) <= len(src) && slices.Equal(got, src[:len(got)])
	}
	t.Logf("seed %d: finished %v, %d resends, %d timeouts, %d audits; %+v", seed, s.Finished, s.Resends, s.Timeouts, s.Audits, s.Fault)
	if !ok || t.Failed() {
		os.WriteFile("/tmp/noise.txt", n.log.Bytes(), 0o644)
		t.Fatalf("seed %d: executed %d, differs from the source of %d; fault %+v", seed, len(got), len(src), s.Fault)
	}
}
