package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// serviceManager listens as systemd does, with a watchdog of so many µs.
func serviceManager(t *testing.T, watchdogUS string) *net.UnixConn {
	t.Helper()
	at := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: at, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socket.Close() })
	t.Setenv("NOTIFY_SOCKET", at)
	t.Setenv("WATCHDOG_USEC", watchdogUS)
	t.Setenv("WATCHDOG_PID", "")
	return socket
}

// The datagrams are those of sd_notify(3).
func TestTheServiceManagerIsTold(t *testing.T) {
	socket := serviceManager(t, "150000")
	hear := func() string {
		buf := make([]byte, 256)
		socket.SetReadDeadline(time.Now().Add(20 * time.Second))
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		return string(buf[:n])
	}

	hangs := make(chan bool, 1)
	hangs <- false
	m := manager{log: slog.New(slog.DiscardHandler), alive: func(context.Context) error {
		h := <-hangs
		hangs <- h
		if h {
			return errors.New("it hangs")
		}
		return nil
	}}
	m.ready("serving http://127.0.0.1:1/")
	if got := hear(); got != "READY=1\nSTATUS=serving http://127.0.0.1:1/" {
		t.Errorf("ready is told as %q", got)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { m.watchdog(ctx); close(ended) }()
	for range 3 {
		if got := hear(); got != "WATCHDOG=1" {
			t.Errorf("the watchdog is told %q", got)
		}
	}
	<-hangs
	hangs <- true
	cancel()
	<-ended
	m.ending()
	for {
		got := hear()
		if got == "WATCHDOG=1" {
			continue // told before it hung
		}
		if got != "STOPPING=1" {
			t.Errorf("the end is told as %q", got)
		}
		break
	}
}

// A daemon that hangs must not feed the watchdog.
func TestAHangingDaemonDoesNotFeedTheWatchdog(t *testing.T) {
	socket := serviceManager(t, "30000")
	var log strings.Builder
	ctx, cancel := context.WithCancel(context.Background())
	asked := 0
	m := manager{log: slog.New(slog.NewTextHandler(&log, nil)), alive: func(ctx context.Context) error {
		if asked++; asked == 3 {
			cancel()
		}
		<-ctx.Done() // as a loop that never answers
		return ctx.Err()
	}}
	m.watchdog(ctx)
	m.ending()
	buf := make([]byte, 256)
	socket.SetReadDeadline(time.Now().Add(20 * time.Second))
	n, err := socket.Read(buf)
	if err != nil || string(buf[:n]) != "STOPPING=1" {
		t.Errorf("the manager was told %q, %v", buf[:n], err)
	}
	if !strings.Contains(log.String(), "watchdog is not fed") {
		t.Errorf("the log says nothing of it: %q", log.String())
	}
}
