package analyze

import (
	"hash"
	"io"
)

// ahead reads and sums a file in a goroutine of its own, some blocks ahead of who
// reads from it. Its reader must read on until it is given an error.
type ahead struct {
	full, free chan block
	now        block
	rest       []byte // of now
}

type block struct {
	bytes []byte
	err   error
}

const (
	aheadBytes  = 256 << 10
	aheadBlocks = 3
)

func readAhead(r io.Reader, sum hash.Hash) *ahead {
	a := &ahead{full: make(chan block, aheadBlocks), free: make(chan block, aheadBlocks)}
	for range aheadBlocks {
		a.free <- block{}
	}
	go func() {
		for b := range a.free {
			if b.bytes == nil {
				b.bytes = make([]byte, aheadBytes)
			}
			var n int
			n, b.err = r.Read(b.bytes[:aheadBytes])
			b.bytes = b.bytes[:n]
			sum.Write(b.bytes)
			a.full <- b
			if b.err != nil {
				return
			}
		}
	}()
	return a
}

// Read gives what was read. Once it has given an error, the sum is complete.
func (a *ahead) Read(p []byte) (int, error) {
	if len(a.rest) == 0 {
		if a.now.err != nil {
			return 0, a.now.err
		}
		if a.now.bytes != nil {
			a.free <- a.now
		}
		a.now = <-a.full
		a.rest = a.now.bytes
	}
	n := copy(p, a.rest)
	a.rest = a.rest[n:]
	if len(a.rest) == 0 {
		return n, a.now.err
	}
	return n, nil
}
