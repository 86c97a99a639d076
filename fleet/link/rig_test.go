package link

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"
)

// rig joins an engine and a model by a line with faults, in simulated time.
type rig struct {
	e     *engine
	m     *model
	now   time.Time
	rng   *rand.Rand
	fault faults
	baud  int

	toFW    []flying
	toHost  []flying
	lastFW  time.Time
	trace   *strings.Builder
	slipped int // damaged lines whose checksum is right all the same
	check   func()
}

type flying struct {
	at time.Time
	c  byte
}

// faults are rates for each byte or each line, and scripted ones.
type faults struct {
	flip, drop           float64                         // each byte from host to firmware
	replyFlip, replyDrop float64                         // each byte from firmware to host
	loseOK, doubleOK     float64                         // each line that is an ok
	loseLine             float64                         // each line from the host
	burst                float64                         // each byte: a run of up to 12 bytes is lost
	onLine               func(n int, line []byte) []byte // what becomes of line n of the host
	onReply              func(line []byte) []byte
}

type sliceSource struct {
	lines []string
	at    int
}

func (s *sliceSource) Next() ([]byte, int64, error) {
	if s.at >= len(s.lines) {
		return nil, 0, io.EOF
	}
	s.at++
	return []byte(s.lines[s.at-1]), int64(s.at), nil
}

var epoch = time.Date(2026, 11, 24, 20, 0, 0, 0, time.UTC)

func newRig(o Options, mo modelOptions, seed uint64) *rig {
	r := &rig{now: epoch, rng: rand.New(rand.NewPCG(seed, 7)), baud: 115200}
	r.m = newModel(mo, epoch)
	r.e = newEngine(o.withDefaults(), epoch)
	return r
}

var hostLines int

// step moves time to the next event and handles it.
func (r *rig) step() {
	r.flush()
	next := r.e.Deadline()
	if n := r.m.next(); next.IsZero() || n.Before(next) {
		next = n
	}
	if len(r.toFW) > 0 && r.toFW[0].at.Before(next) {
		next = r.toFW[0].at
	}
	if len(r.toHost) > 0 && r.toHost[0].at.Before(next) {
		next = r.toHost[0].at
	}
	if next.After(r.now) {
		r.now = next
	} else {
		r.now = r.now.Add(10 * time.Microsecond)
	}
	fed := false
	for len(r.toFW) > 0 && !r.toFW[0].at.After(r.now) {
		r.m.take(r.toFW[0].c)
		r.toFW = r.toFW[1:]
		fed = true
	}
	_ = fed
	r.m.run(r.now)
	r.collect()
	var got []byte
	for len(r.toHost) > 0 && !r.toHost[0].at.After(r.now) {
		got = append(got, r.toHost[0].c)
		r.toHost = r.toHost[1:]
	}
	if len(got) > 0 {
		r.e.Receive(r.now, got)
	}
	if d := r.e.Deadline(); !d.IsZero() && !r.now.Before(d) {
		r.e.Tick(r.now)
	}
	if r.check != nil {
		r.check()
	}
}

// flush puts what the engine wrote on the wire, faults and all.
func (r *rig) flush() {
	for len(r.e.out) > 0 {
		i := bytes.IndexByte(r.e.out, '\n')
		line := append([]byte(nil), r.e.out[:i+1]...)
		r.e.out = append(r.e.out[:0], r.e.out[i+1:]...)
		hostLines++
		if r.trace != nil {
			fmt.Fprintf(r.trace, "%.3f > %q\n", r.now.Sub(epoch).Seconds(), line)
		}
		if r.fault.onLine != nil {
			line = r.fault.onLine(hostLines, line)
		}
		if r.fault.loseLine > 0 && r.rng.Float64() < r.fault.loseLine {
			continue
		}
		gap := time.Duration(float64(time.Second) * 10 / float64(r.baud))
		skip := 0
		first := len(r.toFW)
		for at, c := range line {
			if r.lastFW.Before(r.now) {
				r.lastFW = r.now
			}
			r.lastFW = r.lastFW.Add(gap)
			if skip > 0 {
				skip--
				continue
			}
			if r.fault.burst > 0 && r.rng.Float64() < r.fault.burst {
				skip = r.rng.IntN(12)
				if i := bytes.IndexByte(line, '*'); r.m.opt.careless && i >= at && i <= at+skip {
					skip = max(0, i-at-1)
				}
				continue
			}
			if c == '*' && r.m.opt.careless {
				// A lost '*' makes this family run the line unverified: no
				// checksum and no count can show it.
				r.toFW = append(r.toFW, flying{r.lastFW, c})
				continue
			}
			if r.fault.drop > 0 && r.rng.Float64() < r.fault.drop {
				continue
			}
			if r.fault.flip > 0 && r.rng.Float64() < r.fault.flip {
				c ^= 1 << r.rng.IntN(8)
			}
			r.toFW = append(r.toFW, flying{r.lastFW, c})
		}
		if sent := bytesOf(r.toFW[first:]); string(sent) != string(line) && (passes(sent) || r.m.opt.careless && unsigned(sent)) {
			r.slipped++
			if r.trace != nil {
				fmt.Fprintf(r.trace, "      ! slips through: %q\n", sent)
			}
		} else if r.trace != nil && string(sent) != string(line) {
			fmt.Fprintf(r.trace, "      ! %q\n", sent)
		}
	}
}

func bytesOf(f []flying) []byte {
	var b []byte
	for _, x := range f {
		b = append(b, x.c)
	}
	return b
}

// passes says that a checksum cannot show the damage.
func passes(line []byte) bool {
	s := strings.TrimRight(string(line), "\n")
	star := strings.LastIndexByte(s, '*')
	if star < 0 || !strings.HasPrefix(s, "N") {
		return false
	}
	got, err := strconv.Atoi(s[star+1:])
	return err == nil && got == int(xor(s[:star]))
}

// collect takes the model's answers onto the wire.
func (r *rig) collect() {
	for r.m.out.Len() > 0 {
		line, _ := r.m.out.ReadBytes('\n')
		if r.trace != nil {
			fmt.Fprintf(r.trace, "%.3f < %q\n", r.now.Sub(epoch).Seconds(), line)
		}
		if r.fault.onReply != nil {
			line = r.fault.onReply(line)
		}
		n := 1
		if bytes.HasPrefix(line, []byte("ok")) {
			if r.fault.loseOK > 0 && r.rng.Float64() < r.fault.loseOK {
				continue
			}
			if r.fault.doubleOK > 0 && r.rng.Float64() < r.fault.doubleOK {
				n = 2
			}
		}
		at := r.now.Add(200 * time.Microsecond)
		for range n {
			for _, c := range line {
				if r.fault.replyDrop > 0 && r.rng.Float64() < r.fault.replyDrop {
					continue
				}
				if r.fault.replyFlip > 0 && r.rng.Float64() < r.fault.replyFlip {
					c ^= 1 << r.rng.IntN(8)
				}
				r.toHost = append(r.toHost, flying{at, c})
			}
		}
	}
}

// until runs until the condition holds or the limit of simulated time is over.
func (r *rig) until(limit time.Duration, cond func() bool) bool {
	end := r.now.Add(limit)
	for !cond() {
		if r.now.After(end) {
			return false
		}
		r.step()
	}
	r.flush()
	return true
}

func (r *rig) open() bool {
	return r.until(2*time.Minute, func() bool { return r.e.phase == Idle || r.e.phase == Failed }) && r.e.phase == Idle
}

// unsigned says that damage has taken the sum off a line, by a semicolon before
// it or in the star itself: firmware that looks at sums alone runs it unverified.
func unsigned(sent []byte) bool {
	if bytes.Count(sent, []byte("\n")) != 1 || !bytes.HasSuffix(sent, []byte("\n")) {
		return false
	}
	text, _, _ := bytes.Cut(sent, []byte(";"))
	return !bytes.Contains(text, []byte("*"))
}
