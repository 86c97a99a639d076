package link

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"
)

// Commands of the com port option (RFC 2217, section 3). A server answers with
// the same number and serverSays more.
const (
	comBaud         = 1
	comDataBits     = 2
	comParity       = 3
	comStopBits     = 4
	comControl      = 5
	comSuspend      = 8
	comResume       = 9
	comLineMask     = 10
	comModemMask    = 11
	serverSays      = 100
	parityNone      = 1
	oneStopBit      = 1
	controlNoFlow   = 1
	negotiateFor    = 8 * time.Second
	negotiatedBytes = 64 << 10 // data that may come before the rate is set
)

// rfc2217Port is a serial port behind a telnet server (RFC 2217): the rate is
// set there, and data passes in binary. DTR is not touched: what it does when
// the port is opened and closed is the server's.
type rfc2217Port struct {
	c      net.Conn
	baud   int
	telnet telnet
	buf    [1024]byte
	early  []byte // data that came while the rate was being agreed upon

	mu      sync.Mutex // writes, and what follows
	out     []byte
	asked   map[[2]byte]bool // options that were asked for or answered, by verb
	granted struct{ comPort, refused bool }
	rate    uint32 // what the server says the rate is
	held    bool   // the server asked for silence
	freed   *sync.Cond
}

// dialRFC2217 connects to a telnet server with a serial port behind it, and sets
// the port to that rate, 8 data bits, no parity, one stop bit, no flow control.
func dialRFC2217(address string, baud int) (Port, error) {
	raw, err := dialRaw(address)
	if err != nil {
		return nil, err
	}
	p := &rfc2217Port{c: raw.(*tcpPort), baud: baud, asked: map[[2]byte]bool{}}
	p.freed = sync.NewCond(&p.mu)
	if err := p.negotiate(); err != nil {
		raw.Close()
		return nil, fmt.Errorf("rfc2217://%s: %w", address, err)
	}
	return p, nil
}

func (p *rfc2217Port) negotiate() error {
	p.mu.Lock()
	for _, o := range [][2]byte{{tWILL, optComPort}, {tWILL, optBinary}, {tDO, optBinary}, {tWILL, optGoAhead}, {tDO, optGoAhead}} {
		p.asked[o] = true
		p.out = append(p.out, tIAC, o[0], o[1])
	}
	err := p.flush()
	p.mu.Unlock()
	if err != nil {
		return err
	}
	end := time.Now().Add(negotiateFor)
	p.c.SetReadDeadline(end)
	defer p.c.SetReadDeadline(time.Time{})
	set := false
	for {
		n, err := p.c.Read(p.buf[:])
		p.take(p.buf[:n])
		p.mu.Lock()
		g, rate := p.granted, p.rate
		p.mu.Unlock()
		switch {
		case g.refused:
			return fmt.Errorf("%w: the server does not let its serial port be set: allow RFC 2217 there, or use tcp:// where it sets the rate itself", ErrNotSerial)
		case rate == uint32(p.baud):
			return nil
		case rate != 0:
			return fmt.Errorf("%w: the server set %d baud instead of %d", ErrRate, rate, p.baud)
		case errors.Is(err, os.ErrDeadlineExceeded) && !g.comPort:
			return fmt.Errorf("%w: what listens there does not speak telnet with RFC 2217; use tcp:// for a raw port", ErrNotSerial)
		case errors.Is(err, os.ErrDeadlineExceeded):
			return fmt.Errorf("%w: the server did not confirm %d baud within %v", ErrRate, p.baud, negotiateFor)
		case err != nil:
			return fmt.Errorf("the server closed the connection: its port may be in use or unplugged: %w", err)
		}
		if g.comPort && !set {
			set = true
			if err := p.setUp(); err != nil {
				return err
			}
		}
	}
}

// setUp asks for the line's settings.
func (p *rfc2217Port) setUp() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range [][]byte{
		{comDataBits, 8}, {comParity, parityNone}, {comStopBits, oneStopBit}, {comControl, controlNoFlow},
		{comLineMask, 0}, {comModemMask, 0},
		binary.BigEndian.AppendUint32([]byte{comBaud}, uint32(p.baud)), // last: its answer means that all is done
	} {
		p.out = subnegotiation(p.out, append([]byte{optComPort}, s...)...)
	}
	return p.flush()
}

// flush writes what waits. The lock is held.
func (p *rfc2217Port) flush() error {
	if len(p.out) == 0 {
		return nil
	}
	_, err := p.c.Write(p.out)
	p.out = p.out[:0]
	return err
}

// take decodes what was read; data goes to early.
func (p *rfc2217Port) take(b []byte) {
	p.early = p.telnet.decode(p.early, b, p.onOption, p.onSub)
	if len(p.early) > negotiatedBytes {
		p.early = p.early[:negotiatedBytes]
	}
}

func (p *rfc2217Port) Read(b []byte) (int, error) {
	for len(p.early) == 0 {
		n, err := p.c.Read(p.buf[:min(len(b), len(p.buf))])
		p.take(p.buf[:n])
		if err != nil && len(p.early) == 0 {
			return 0, err
		}
	}
	n := copy(b, p.early)
	p.early = p.early[:copy(p.early, p.early[n:])]
	return n, nil
}

func (p *rfc2217Port) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.held {
		t := time.AfterFunc(writeStuck, p.free)
		for p.held {
			p.freed.Wait()
		}
		t.Stop()
	}
	p.out = escape(p.out, b)
	if err := p.flush(); err != nil {
		return 0, err
	}
	return len(b), nil
}

// free lets writes go on.
func (p *rfc2217Port) free() {
	p.mu.Lock()
	p.held = false
	p.freed.Broadcast()
	p.mu.Unlock()
}

func (p *rfc2217Port) Close() error {
	p.free()
	return p.c.Close()
}

// onOption answers what the server offers and asks for. What was asked for or
// answered before is not answered again, so that no loop can arise (RFC 854).
func (p *rfc2217Port) onOption(verb, opt byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case opt == optComPort && verb == tDO:
		p.granted.comPort = true
	case opt == optComPort && verb == tDONT:
		p.granted.refused = true
	}
	answer := [2]byte{tDONT, opt}
	mine := [2]byte{tDO, opt}
	switch verb {
	case tDO, tDONT:
		answer, mine = [2]byte{tWONT, opt}, [2]byte{tWILL, opt}
	}
	if p.asked[mine] || p.asked[answer] || verb == tDONT || verb == tWONT {
		return
	}
	if opt == optBinary || opt == optGoAhead {
		answer = mine
	}
	p.asked[answer] = true
	p.out = append(p.out, tIAC, answer[0], answer[1])
	p.flush() // a dead connection shows at the next read
}

// onSub takes an answer or a notice of the com port option.
func (p *rfc2217Port) onSub(b []byte) {
	if b[0] != optComPort || len(b) < 2 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch b[1] {
	case comBaud + serverSays:
		if len(b) >= 6 {
			p.rate = binary.BigEndian.Uint32(b[2:6])
		}
	case comSuspend + serverSays:
		p.held = true
	case comResume + serverSays:
		p.held = false
		p.freed.Broadcast()
	}
}
