package sim

import (
	"io"
	"sync"
	"time"
)

// line is the cable between the board and a host: what came in, and a way to
// send what can be sent without waiting.
type line interface {
	// incoming yields what the host sent. It is closed when the line is dead.
	incoming() <-chan arrival
	// reuse gives a chunk of incoming back.
	reuse([]byte)
	// send takes the bytes that it can take at once and says how many; the rest
	// may be offered again. A line without a host takes all and loses them.
	send(p []byte) int
	// writable has a value after a send that did not take everything may be
	// tried again; nil when that has to be found out by trying.
	writable() <-chan struct{}
	// opened has a value after a host opened the line; nil when that cannot be
	// seen.
	opened() <-chan struct{}
	// noticed says that the board has taken notice of the host that opened it.
	noticed()
	// realTime says that the clock is that of the wall, never that of a test.
	realTime() bool
	close()
}

// arrival is a chunk of bytes and when it was read.
type arrival struct {
	p  []byte
	at time.Time
}

const (
	chunkBytes = 4096
	chunks     = 2
)

// reader moves bytes from a descriptor into chunks on a goroutine of its own.
type reader struct {
	in   chan arrival
	free chan []byte
	stop chan struct{}
}

// newReader has n chunks, each of that many bytes: what it may hold of what the
// board has not taken.
func newReader(n, size int) *reader {
	r := &reader{in: make(chan arrival, n), free: make(chan []byte, n), stop: make(chan struct{})}
	for range n {
		r.free <- make([]byte, size)
	}
	return r
}

func (r *reader) incoming() <-chan arrival { return r.in }
func (r *reader) reuse(p []byte)           { r.free <- p[:cap(p)] }

func (r *reader) loop(from io.Reader) {
	defer close(r.in)
	for {
		var buf []byte
		select {
		case buf = <-r.free:
		case <-r.stop:
			return
		}
		n, err := from.Read(buf)
		if n == 0 && err == nil {
			r.free <- buf
			continue
		}
		if n > 0 {
			r.in <- arrival{buf[:n], time.Now()}
		}
		if err != nil {
			return
		}
	}
}

// streamLine is a line over any io.ReadWriteCloser. Writes happen on their own
// goroutine out of a bounded store, because both ends of an unbuffered pipe may
// be writing at once.
type streamLine struct {
	*reader
	rwc      io.ReadWriteCloser
	out      chan []byte
	outFree  chan []byte
	ready    chan struct{}
	stopOnce sync.Once
}

func newStreamLine(rwc io.ReadWriteCloser) *streamLine {
	l := &streamLine{
		reader: newReader(64, 512), rwc: rwc,
		out: make(chan []byte, chunks), outFree: make(chan []byte, chunks), ready: make(chan struct{}, 1),
	}
	for range chunks {
		l.outFree <- make([]byte, chunkBytes)
	}
	go l.loop(rwc)
	go l.writeLoop()
	return l
}

func (l *streamLine) send(p []byte) int {
	select {
	case buf := <-l.outFree:
		n := copy(buf[:chunkBytes], p)
		l.out <- buf[:n]
		return n
	default:
		return 0
	}
}

func (l *streamLine) writeLoop() {
	for {
		select {
		case p := <-l.out:
			// A write that fails means that the host is gone; the reader finds out.
			_, _ = l.rwc.Write(p)
			l.outFree <- p
			select {
			case l.ready <- struct{}{}:
			default:
			}
		case <-l.stop:
			return
		}
	}
}

func (l *streamLine) writable() <-chan struct{} { return l.ready }
func (l *streamLine) opened() <-chan struct{}   { return nil }
func (l *streamLine) noticed()                  {}
func (l *streamLine) realTime() bool            { return false }

func (l *streamLine) close() {
	l.stopOnce.Do(func() {
		close(l.stop)
		l.rwc.Close()
	})
}
