package main

import (
	"bytes"
	"fmt"
	"io"
	"sync"
	"time"

	"undercroft/fleet/link"
)

// tap writes what passes over a port, one line a line, with the seconds of the
// connection's clock.
type tap struct {
	link.Port
	w    io.Writer
	mu   sync.Mutex
	from time.Time
	part []byte // of a line from the board
}

func (t *tap) Read(p []byte) (int, error) {
	n, err := t.Port.Read(p)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.part = append(t.part, p[:n]...)
	for {
		i := bytes.IndexByte(t.part, '\n')
		if i < 0 {
			break
		}
		t.say('<', t.part[:i])
		t.part = t.part[i+1:]
	}
	if err != nil {
		t.say('<', []byte(err.Error()))
	}
	return n, err
}

func (t *tap) Write(p []byte) (int, error) {
	t.mu.Lock()
	for _, l := range bytes.SplitAfter(p, []byte{'\n'}) {
		if len(l) > 0 {
			t.say('>', bytes.TrimSuffix(l, []byte{'\n'}))
		}
	}
	t.mu.Unlock()
	return t.Port.Write(p)
}

func (t *tap) say(way byte, line []byte) {
	fmt.Fprintf(t.w, "%9.3f %c %q\n", time.Since(t.from).Seconds(), way, line)
}
