package link

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Examples of RFC 2217, section 3: bytes as they stand there.
func TestComPortBytes(t *testing.T) {
	// "IAC SB COM-PORT-OPTION SET-BAUD <value(4)> IAC SE", value 9600 = 0x2580.
	got := subnegotiation(nil, append([]byte{optComPort, comBaud}, 0, 0, 0x25, 0x80)...)
	if want := []byte{255, 250, 44, 1, 0, 0, 0x25, 0x80, 255, 240}; !bytes.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	// A value that holds the byte 255 has it doubled (RFC 854).
	if got := subnegotiation(nil, 44, 10, 255); !bytes.Equal(got, []byte{255, 250, 44, 10, 255, 255, 255, 240}) {
		t.Errorf("%v", got)
	}
}

// Any data comes through escaping and decoding as it was, in pieces of any size,
// whatever stands between.
func TestTelnetBothWays(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var wire, want []byte
		options, subs := 0, 0
		for range rapid.IntRange(0, 20).Draw(rt, "parts") {
			switch rapid.IntRange(0, 2).Draw(rt, "kind") {
			case 0:
				data := rapid.SliceOfN(rapid.SampledFrom([]byte{255, 255, 'o', 'k', '\n', 240, 250, 1}), 0, 12).Draw(rt, "data")
				want = append(want, data...)
				wire = escape(wire, data)
			case 1:
				wire = append(wire, tIAC, rapid.SampledFrom([]byte{tWILL, tWONT, tDO, tDONT}).Draw(rt, "verb"), rapid.Byte().Draw(rt, "option"))
				options++
			case 2:
				wire = subnegotiation(wire, rapid.SliceOfN(rapid.Byte(), 1, 20).Draw(rt, "sub")...)
				subs++
			}
		}
		var tn telnet
		var got []byte
		for len(wire) > 0 {
			n := rapid.IntRange(1, len(wire)).Draw(rt, "piece")
			got = tn.decode(got, wire[:n], func(byte, byte) { options-- }, func(b []byte) { subs-- })
			wire = wire[n:]
		}
		if !bytes.Equal(got, want) || options != 0 || subs != 0 {
			rt.Fatalf("got %v, want %v; %d options and %d subnegotiations apart", got, want, options, subs)
		}
	})
}

// server is the other end of a telnet connection in a test.
func server(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		c, err := l.Accept()
		if err == nil {
			defer c.Close()
			serve(c)
		}
	}()
	return l.Addr().String()
}

// comPort answers like a server whose port runs at no more than most baud, and
// hands the data over.
func comPort(most uint32, data func(c net.Conn, b []byte)) func(net.Conn) {
	return func(c net.Conn) {
		c.Write([]byte("hello\r\x00"))
		c.Write([]byte{tIAC, tDO, optComPort, tIAC, tWILL, optBinary, tIAC, tDO, optBinary, tIAC, tWILL, 1, tIAC, tDO, 24})
		var tn telnet
		buf := make([]byte, 256)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			got := tn.decode(nil, buf[:n], func(byte, byte) {}, func(b []byte) {
				if b[1] == comBaud {
					rate := min(binary.BigEndian.Uint32(b[2:]), most)
					c.Write(subnegotiation(nil, binary.BigEndian.AppendUint32([]byte{optComPort, comBaud + serverSays}, rate)...))
				}
			})
			data(c, got)
		}
	}
}

func TestComPortConversation(t *testing.T) {
	held := make(chan bool, 1)
	at := server(t, comPort(1e6, func(c net.Conn, b []byte) {
		if string(b) == "hold\n" {
			c.Write(subnegotiation(nil, optComPort, comSuspend+serverSays))
			held <- true
			time.Sleep(30 * time.Millisecond)
			c.Write(subnegotiation(nil, optComPort, comResume+serverSays))
			return
		}
		c.Write(escape(nil, b))
	}))
	p, err := OpenPort("rfc2217://"+at, 250000)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	read := func(want string) {
		t.Helper()
		got := make([]byte, len(want))
		if _, err := io.ReadFull(p, got); err != nil || string(got) != want {
			t.Fatalf("%q, %v; want %q", got, err, want)
		}
	}
	read("hello\r")
	for _, s := range []string{"N1 M105*38\n", "\xff\xff\x00\xff", "ok\r\n"} {
		p.Write([]byte(s))
		read(s)
	}
	p.Write([]byte("hold\n"))
	<-held
	go p.Write([]byte("on\n")) // the answers are read meanwhile
	read("on\n")
}

func TestComPortRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		serve func(net.Conn)
		want  error
	}{
		"another rate": {comPort(9600, func(net.Conn, []byte) {}), ErrRate},
		"no com port":  {func(c net.Conn) { c.Write([]byte{tIAC, tDONT, optComPort}); io.Copy(io.Discard, c) }, ErrNotSerial},
		"closes":       {func(c net.Conn) {}, nil},
	} {
		p, err := OpenPort("rfc2217://"+server(t, c.serve), 250000)
		if err == nil {
			p.Close()
			t.Errorf("%s: was opened", name)
		} else if c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
