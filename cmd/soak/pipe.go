package main

import (
	"io"
	"sync"
)

// pipeBytes is what one direction of a cable holds, as a USB adapter might.
const pipeBytes = 4096

// cable joins a host and a board in memory: two bounded stores. A reader waits
// for bytes, a writer for room.
func cable() (host, board io.ReadWriteCloser) {
	up, down := newStore(), newStore()
	return &socket{in: down, out: up}, &socket{in: up, out: down}
}

// socket is one end of a cable. Closing it ends both directions, as pulling the
// plug does: what is stored can still be read at the other end.
type socket struct{ in, out *store }

func (s *socket) Read(p []byte) (int, error)  { return s.in.read(p) }
func (s *socket) Write(p []byte) (int, error) { return s.out.write(p) }
func (s *socket) Close() error {
	s.in.close()
	s.out.close()
	return nil
}

type store struct {
	mu     sync.Mutex
	change sync.Cond
	buf    [pipeBytes]byte
	at, n  int
	closed bool
}

func newStore() *store {
	s := &store{}
	s.change.L = &s.mu
	return s
}

func (s *store) read(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for s.n == 0 {
		if s.closed {
			return 0, io.EOF
		}
		s.change.Wait()
	}
	k := copy(p, s.buf[s.at:min(s.at+s.n, pipeBytes)])
	s.at = (s.at + k) % pipeBytes
	s.n -= k
	s.change.Broadcast()
	return k, nil
}

func (s *store) write(p []byte) (done int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(p) > 0 {
		for s.n == pipeBytes && !s.closed {
			s.change.Wait()
		}
		if s.closed {
			return done, io.ErrClosedPipe
		}
		from := (s.at + s.n) % pipeBytes
		to := min(pipeBytes, from+pipeBytes-s.n)
		k := copy(s.buf[from:to], p)
		s.n += k
		done += k
		p = p[k:]
		s.change.Broadcast()
	}
	return done, nil
}

func (s *store) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.change.Broadcast()
}
