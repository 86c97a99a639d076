package main

import (
	"bufio"
	"bytes"
	"errors"
	"hash/maphash"
	"io"
	"sync"

	"undercroft/fleet/sim"
)

// observer keeps what one virtual printer executed, to hold it against the
// files. It reads G-code in its own plain way, so that a mistake of the reader
// that fed the link cannot hide here.
type observer struct {
	mu       sync.Mutex
	executed []uint64 // hashes of the commands that are not the host's own, in order
	tops     []top    // each new highest Z at which filament was laid since homing
	taken    int      // executed up to here was matched with a run
	total    int64    // executed commands in all
	topMM    float64  // the newest of tops, 0 after homing
	lastE    float64
}

// top says that the move at a place in executed laid filament higher than any
// before it.
type top struct {
	at int
	mm float64
}

var observerSeed = maphash.MakeSeed()

// hostsOwn are the questions that the link and the printer's loop put between
// the lines of a file. A file may hold them too: they are left out on both sides.
var hostsOwn = map[string]bool{"M105": true, "M114": true, "M155": true, "M400": true, "M110": true, "M115": true, "M211": true, "M503": true}

func isHostsOwn(text []byte) bool {
	code := text
	if i := bytes.IndexByte(text, ' '); i >= 0 {
		code = text[:i]
	}
	return hostsOwn[string(code)]
}

// execute is the virtual printer's callback.
func (o *observer) execute(x sim.Executed) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.total++
	if x.Move {
		if x.End[3] > o.lastE+1e-6 && x.End[2] > o.topMM {
			o.topMM = x.End[2]
			o.tops = append(o.tops, top{len(o.executed), o.topMM})
		}
		o.lastE = x.End[3]
	} else if bytes.HasPrefix(x.Text, []byte("G28")) {
		o.topMM = 0
	} else if bytes.HasPrefix(x.Text, []byte("G92")) {
		o.lastE = x.End[3]
	}
	if !isHostsOwn(x.Text) {
		o.executed = append(o.executed, maphash.Bytes(observerSeed, x.Text))
	}
}

// fileCommands hashes the commands of a file: what stands before a comment,
// trimmed, in order.
func fileCommands(r io.Reader) ([]uint64, error) {
	var out []uint64
	lines := bufio.NewReaderSize(r, 1<<16)
	for {
		line, err := lines.ReadSlice('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		text, _, _ := bytes.Cut(line, []byte(";"))
		text = bytes.TrimSpace(text)
		if len(text) > 0 && !isHostsOwn(text) {
			out = append(out, maphash.Bytes(observerSeed, text))
		}
		if err != nil {
			return out, nil
		}
	}
}

// match takes the longest beginning of file that was executed in one piece
// behind what was matched before, each command once and nothing between. It
// returns how many commands that were and the highest Z, in mm, at which they
// laid filament.
func (o *observer) match(file []uint64) (commands int, topMM float64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	rest := o.executed[o.taken:]
	bestAt, best := 0, 0
	for at := range rest {
		n := 0
		for n < len(file) && at+n < len(rest) && rest[at+n] == file[n] {
			n++
		}
		if n > best {
			bestAt, best = at, n
		}
		if n == len(file) {
			break
		}
	}
	from := o.taken + bestAt
	o.taken = from + best
	for _, t := range o.tops {
		if t.at >= from && t.at < o.taken {
			topMM = t.mm
		}
	}
	return best, topMM
}

func (o *observer) count() int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.total
}
