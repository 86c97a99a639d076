package web

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// slowHouse takes its time to cool, and reads what is added.
type slowHouse struct {
	House
	asked chan struct{}
	ended chan error // whether the change was called off
}

func (h *slowHouse) Cool(ctx context.Context) ([]Cooled, error) {
	close(h.asked)
	select {
	case <-ctx.Done():
		h.ended <- ctx.Err()
	case <-time.After(100 * time.Millisecond):
		h.ended <- nil
	}
	return nil, nil
}

func (h *slowHouse) Add(_ context.Context, _ AddRequest, body io.Reader) (Added, error) {
	if _, err := io.Copy(io.Discard, body); err != nil {
		return Added{}, errors.New("wrapped beyond recognition")
	}
	return Added{}, nil
}

func serve(t *testing.T, h House) string {
	t.Helper()
	srv, err := New(Options{House: h, Metrics: http.NotFoundHandler(), Health: func() error { return nil }, patience: 60 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	ts := httptest.NewServer(srv.Handler())
	t.Cleanup(ts.Close)
	return strings.TrimPrefix(ts.URL, "http://")
}

// A phone that loses its line does not leave half of the heaters on.
func TestChangesAreCarriedThrough(t *testing.T) {
	h := &slowHouse{asked: make(chan struct{}), ended: make(chan error, 1)}
	conn, err := net.Dial("tcp", serve(t, h))
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.WriteString(conn, "POST /api/cool HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n")
	<-h.asked
	conn.Close()
	if err := <-h.ended; err != nil {
		t.Errorf("the change was called off: %v", err)
	}
}

// An upload that falls silent is cut; one that ends early is no whole file. Both
// are told, whatever the reader of the file made of the error.
func TestSilentUpload(t *testing.T) {
	for _, c := range []struct {
		name   string
		then   func(net.Conn)
		status string
	}{
		{"falls silent", func(net.Conn) {}, "408"},
		{"ends early", func(c net.Conn) { _ = c.(*net.TCPConn).CloseWrite() }, "400"},
	} {
		t.Run(c.name, func(t *testing.T) {
			conn, err := net.Dial("tcp", serve(t, &slowHouse{}))
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
			_, _ = io.WriteString(conn, "POST /api/files?file_name=a.gcode HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\nG28\n")
			c.then(conn)
			answer := make([]byte, 12)
			if _, err := io.ReadFull(conn, answer); err != nil || !strings.HasSuffix(string(answer), c.status) {
				t.Errorf("got %q, %v; want %s", answer, err, c.status)
			}
		})
	}
}

// A slow line is no reason to cut.
func TestSlowUpload(t *testing.T) {
	conn, err := net.Dial("tcp", serve(t, &slowHouse{}))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
	_, _ = io.WriteString(conn, "POST /api/files?file_name=a.gcode HTTP/1.1\r\nHost: localhost\r\nContent-Length: 20\r\n\r\n")
	for range 10 {
		time.Sleep(20 * time.Millisecond)
		_, _ = io.WriteString(conn, "G1")
	}
	answer := make([]byte, 12)
	if _, err := io.ReadFull(conn, answer); err != nil || !strings.HasSuffix(string(answer), "201") {
		t.Errorf("got %q, %v; want 201", answer, err)
	}
}

func TestBaseName(t *testing.T) {
	for in, want := range map[string]string{
		"neck.gcode": "neck.gcode", "a/b/neck.gcode": "neck.gcode", `C:\x\neck.gcode`: "neck.gcode",
		"..": "", "/": "", "": "", " . ": "", "a\x00b": "ab", "Hals–3 ü.gcode": "Hals–3 ü.gcode", "x\xffy": "xy",
		strings.Repeat("ü", 150): strings.Repeat("ü", 100), strings.Repeat("ü", 99) + "  00": strings.Repeat("ü", 99),
	} {
		if got := baseName(in); got != want {
			t.Errorf("baseName(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestSentence(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "no printer": "No printer.", "neck-3.gcode is empty": "neck-3.gcode is empty.", "'x' is no time": "'x' is no time.", "Done.": "Done.", "äußerst": "Äußerst.",
	} {
		if got := sentence(in); got != want {
			t.Errorf("sentence(%q) = %q, want %q", in, got, want)
		}
	}
}
