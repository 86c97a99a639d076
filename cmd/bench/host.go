package main

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync/atomic"
	"time"

	"undercroft/fleet/link"
)

// oneLine as a window makes a link send one line at a time.
const oneLine = 1

// host is a link with a clock on its port.
type host struct {
	*link.Conn
	port *clocked
}

// clocked measures from the return of a read that brought an ok to the call of
// the next write: what the host itself adds.
type clocked struct {
	link.Port
	on    atomic.Bool
	heard atomic.Int64 // when, in ns since the start; 0: nothing since the last write
	added []time.Duration
}

var start = time.Now()

func (c *clocked) Read(p []byte) (int, error) {
	n, err := c.Port.Read(p)
	if n > 0 && bytes.Contains(p[:n], []byte("ok")) {
		c.heard.Store(int64(time.Since(start)))
	}
	return n, err
}

func (c *clocked) Write(p []byte) (int, error) {
	if at := c.heard.Swap(0); at != 0 && c.on.Load() && len(c.added) < cap(c.added) {
		c.added = append(c.added, time.Since(start)-time.Duration(at))
	}
	return c.Port.Write(p)
}

// dial opens a link and waits until it is idle.
func dial(path string, o link.Options, samples int) (*host, error) {
	port, err := link.OpenPort(path, 115200)
	if err != nil {
		return nil, err
	}
	h := &host{port: &clocked{Port: port, added: make([]time.Duration, 0, samples)}}
	o.ListenFor = 200 * time.Millisecond
	h.Conn = link.New(h.port, o)
	return h, h.until(30*time.Second, link.Idle)
}

func (h *host) until(limit time.Duration, want link.Phase) error {
	end := time.After(limit)
	for {
		s := h.State()
		switch s.Phase {
		case want:
			return nil
		case link.Failed:
			return errors.New(s.Fault.Text)
		}
		select {
		case <-time.After(time.Millisecond):
		case <-end:
			return fmt.Errorf("still %s after %v", s.Phase, limit)
		}
	}
}

// quantiles gives the median and the 99th percentile.
func quantiles(d []time.Duration) (p50, p99 time.Duration) {
	if len(d) == 0 {
		return 0, 0
	}
	slices.Sort(d)
	return d[len(d)/2], d[min(len(d)-1, len(d)*99/100)]
}

// shuttle is a source without an end: a nozzle that goes to and fro in steps of
// one length, 160 mm each way, at one speed.
type shuttle struct {
	n       int64
	line    []byte
	stepMM  float64
	feedMMs float64
}

func (s *shuttle) Next() ([]byte, int64, error) {
	s.n++
	switch s.n {
	case 1:
		return []byte("G91"), 1, nil
	case 2:
		return []byte("M83"), 2, nil
	case 3:
		return append([]byte("G1 F"), strconv.FormatFloat(s.feedMMs*60, 'f', 0, 64)...), 3, nil
	}
	x := s.stepMM
	if per := int64(160 / s.stepMM); s.n/per%2 == 1 {
		x = -x
	}
	s.line = append(s.line[:0], "G1 X"...)
	s.line = strconv.AppendFloat(s.line, x, 'f', 5, 64)
	s.line = append(s.line, " Y0.00000"...)
	return s.line, s.n, nil
}
