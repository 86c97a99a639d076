package link

import (
	"fmt"
	"net"
	"time"
)

// dialRaw connects to a raw serial-to-network server.
func dialRaw(address string) (Port, error) {
	d := net.Dialer{Timeout: 10 * time.Second, KeepAliveConfig: net.KeepAliveConfig{
		Enable: true, Idle: 5 * time.Second, Interval: 5 * time.Second, Count: 3,
	}}
	c, err := d.Dial("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", address, err)
	}
	if t, ok := c.(*net.TCPConn); ok {
		t.SetNoDelay(true)
	}
	return &tcpPort{c}, nil
}

// tcpPort bounds every write, which a serial port cannot.
type tcpPort struct{ net.Conn }

func (t *tcpPort) Write(p []byte) (int, error) {
	t.SetWriteDeadline(time.Now().Add(writeStuck))
	return t.Conn.Write(p)
}
