package sim

import (
	"bytes"
	"time"
)

// fetch takes what the host sent without waiting.
func (b *board) fetch() {
	if b.chunk != nil || b.in == nil {
		return
	}
	select {
	case a, ok := <-b.in:
		b.took(a, ok)
	default:
	}
}

func (b *board) took(a arrival, ok bool) {
	p := a.p
	if !ok {
		b.in = nil
		b.note("line lost")
		return
	}
	b.chunk, b.chunkBad, b.borrowed, b.chunkAt = p, nil, true, 0
	if b.inj.in {
		spoilt, bad := b.inj.spoil(p)
		b.line.reuse(p)
		if len(spoilt) == 0 {
			b.chunk = nil
			return
		}
		b.chunk, b.chunkBad, b.borrowed = spoilt, bad, false
	}
	b.wireAt = max(b.wireAt, b.clk.when(a.at)+b.byteTime)
}

// nextByte is when the next bytes that matter are in: the end of a line, or
// all that is on the wire.
func (b *board) nextByte() vt {
	if b.chunk == nil || b.byteTime == 0 && b.rxN == rxBytes {
		return never
	}
	if b.byteTime == 0 {
		return b.wireAt
	}
	rest := b.chunk[b.chunkAt:]
	k := bytes.IndexByte(rest, '\n')
	if k < 0 {
		k = len(rest) - 1
	}
	return b.wireAt + vt(k)*b.byteTime
}

// pump moves the bytes that are in by now into the receive buffer. A timed line
// loses what finds no room, an untimed one holds it back.
func (b *board) pump() {
	for b.chunk != nil && b.wireAt <= b.now {
		if b.rxN == rxBytes {
			if b.byteTime == 0 {
				return
			}
			if !b.overflowed {
				b.overflowed = true
				b.note("overflow of the receive buffer")
			}
		}
		c := b.chunk[b.chunkAt]
		b.lastByte = c
		if b.m.urgent {
			b.overhear(c)
		}
		if b.rxN < rxBytes {
			at := (b.rxHead + b.rxN) % rxBytes
			b.rx[at] = c
			b.rxBad[at] = intact
			if b.chunkBad != nil {
				b.rxBad[at] = b.chunkBad[b.chunkAt]
			}
			if b.lostByte {
				b.rxBad[at], b.lostByte = lostBefore, false
			}
			b.rxN++
		} else {
			b.lostByte = true
			b.inj.count.OverflowLost++
		}
		b.chunkAt++
		b.wireAt += b.byteTime
		if b.chunkAt == len(b.chunk) {
			b.dropChunk()
			b.fetch()
		}
	}
}

func (b *board) dropChunk() {
	if b.chunk != nil && b.borrowed && b.line != nil {
		b.line.reuse(b.chunk)
	}
	b.chunk = nil
}

// flushRx empties the receive buffer. What arrives next may be the tail of a
// line.
func (b *board) flushRx() {
	b.rxHead, b.rxN, b.overflowed = 0, 0, false
	b.part, b.comment, b.commented, b.skipNext = b.part[:0], false, false, false
	b.partTill = never
	b.partBad = -1
	if b.lastByte != '\n' && b.lastByte != '\r' && b.lastByte != 0 {
		b.partBad = 0
	}
}

// pull takes one byte out of the receive buffer.
func (b *board) pull() (byte, bool) {
	if b.rxN == 0 {
		b.pump()
		if b.rxN == 0 {
			return 0, false
		}
	}
	c := b.rx[b.rxHead]
	b.pulledBad = b.rxBad[b.rxHead]
	b.rxHead = (b.rxHead + 1) % rxBytes
	b.rxN--
	b.overflowed = false
	return c, true
}

// send writes what is due to the line.
func (b *board) send() {
	if len(b.tx) == 0 || b.line == nil {
		b.tx = b.tx[:0]
		return
	}
	n := len(b.tx)
	if b.inj.holdTill > 0 {
		if b.clk.now() < b.inj.holdTill {
			return
		}
		b.inj.holdTill = 0
	}
	if b.byteTime > 0 {
		v := b.clk.now()
		if b.txAt > v {
			return
		}
		n = min(n, 1+int((v-b.txAt)/b.byteTime))
	}
	k := b.line.send(b.tx[:n])
	b.txStuck = k < n
	b.txAt += vt(k) * b.byteTime
	b.tx = b.tx[:copy(b.tx, b.tx[k:])]
}

// nextOut is when send may have more to do.
func (b *board) nextOut() vt {
	if b.inj.holdTill > 0 {
		return b.inj.holdTill
	}
	if b.txStuck {
		if b.line.writable() != nil {
			return never
		}
		return b.clk.now() + b.clk.virtual(2*time.Millisecond)
	}
	// Not for every byte: a host reads lines.
	return max(b.txAt, b.now) + vt(len(b.tx)-1)*b.byteTime
}

// emit sends the line in say. What a host does not read in time is lost.
func (b *board) emit() {
	b.say = append(b.say, '\n')
	switch {
	case b.deaf, b.now < b.inj.silentTill:
	case b.inj.out:
		b.sendSpoilt()
	default:
		b.queueOut(b.say)
	}
	b.say = b.say[:0]
	if len(b.tx) >= chunkBytes/2 && b.byteTime == 0 {
		b.send()
	}
}

// queueOut adds bytes to what is on its way out.
func (b *board) queueOut(p []byte) {
	if len(b.tx)+len(p) > txBytes {
		return
	}
	if len(b.tx) == 0 {
		b.txAt = max(b.txAt, b.now+b.byteTime)
	}
	b.tx = append(b.tx, p...)
}

// put sends one line of text.
func (b *board) put(s string) {
	b.say = append(b.say, s...)
	b.emit()
}
