package web_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"undercroft/web"
	"undercroft/web/webtest"
)

// message is any live message.
type message struct {
	Type         string
	Seq          uint64
	View         *web.View
	Printers     []web.Printer
	PrinterOrder []string `json:"printer_order"`
	Jobs         []web.Job
	JobOrder     *[]int64 `json:"job_order"`
	Rest         *struct{ Title string }
}

func dial(t *testing.T, ts *httptest.Server, header http.Header) (*websocket.Conn, *http.Response, error) {
	t.Helper()
	c, resp, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(ts.URL, "http")+"/api/live", header)
	if err == nil {
		t.Cleanup(func() { c.Close() })
	}
	return c, resp, err
}

func watch(t *testing.T, ts *httptest.Server) *websocket.Conn {
	t.Helper()
	c, _, err := dial(t, ts, nil)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func next(t *testing.T, c *websocket.Conn) (message, []byte) {
	t.Helper()
	_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
	_, raw, err := c.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	var m message
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	return m, raw
}

func TestLiveSnapshotThenChanges(t *testing.T) {
	house, ts := cellar(t, nil)
	c := watch(t, ts)
	first, _ := next(t, c)
	if first.Type != "snapshot" || first.View == nil || len(first.View.Printers) != 5 || first.View.Printers[0].Run.Outline == nil {
		t.Fatalf("the first message is no whole snapshot: %+v", first)
	}

	// One printer: only it comes, without the outline that the client has.
	house.Change(func(v *web.View) {
		run := *v.Printers[0].Run
		run.CompletedMM = 205.12
		v.Printers[0].Run = &run
	})
	m, _ := next(t, c)
	if m.Type != "change" || m.Seq != first.Seq+1 || len(m.Printers) != 1 || m.Printers[0].Name != "Bittern" || m.Jobs != nil || m.Rest != nil || m.PrinterOrder != nil || m.JobOrder != nil {
		t.Fatalf("not the change of one printer: %+v", m)
	}
	if m.Printers[0].Run.CompletedMM != 205.12 || m.Printers[0].Run.Outline != nil {
		t.Errorf("height %g, outline %v", m.Printers[0].Run.CompletedMM, m.Printers[0].Run.Outline)
	}

	// A new run brings its outline.
	house.Change(func(v *web.View) {
		run := *v.Printers[0].Run
		run.ID = 77
		v.Printers[0].Run = &run
	})
	if m, _ := next(t, c); m.Printers[0].Run.Outline == nil {
		t.Error("a new run came without its outline")
	}

	// A job goes: the order says so.
	house.Change(func(v *web.View) { v.Jobs = v.Jobs[1:] })
	if m, _ := next(t, c); m.JobOrder == nil || len(*m.JobOrder) != 7 || (*m.JobOrder)[0] != 41 || m.Jobs != nil {
		t.Errorf("not the going of a job: %+v", m)
	}
	// The last job goes too: an empty order is not no order.
	house.Change(func(v *web.View) { v.Jobs = nil })
	if m, raw := next(t, c); m.JobOrder == nil || len(*m.JobOrder) != 0 {
		t.Errorf("not the going of all jobs: %s", raw)
	}
	house.Change(func(v *web.View) { v.Title = "Two herons" })
	if m, _ := next(t, c); m.Rest == nil || m.Rest.Title != "Two herons" || m.Printers != nil {
		t.Errorf("not the change of the rest: %+v", m)
	}

	// Whoever comes later starts at the same place.
	late := watch(t, ts)
	snap, _ := next(t, late)
	house.Change(func(v *web.View) { v.Title = "Three herons" })
	a, _ := next(t, c)
	b, _ := next(t, late)
	if a.Seq != snap.Seq+1 || b.Seq != a.Seq {
		t.Errorf("after a snapshot of seq %d the clients got %d and %d", snap.Seq, a.Seq, b.Seq)
	}
}

// Many changes within a tick are one message; no change is none.
func TestLiveCoalesces(t *testing.T) {
	house, ts := cellar(t, nil)
	c := watch(t, ts)
	next(t, c)
	began := time.Now()
	for i := range 400 {
		house.Change(func(v *web.View) { v.Title = fmt.Sprint("heron ", i) })
		time.Sleep(time.Millisecond)
	}
	messages := 0
	for {
		m, _ := next(t, c)
		messages++
		if m.Rest.Title == "heron 399" {
			break
		}
	}
	most := int(time.Since(began)/(200*time.Millisecond)) + 2
	if messages > most {
		t.Errorf("%d messages in %v; at most one a tick of 200 ms is wanted", messages, time.Since(began))
	}

	house.Change(func(*web.View) {}) // told, but nothing changed
	house.Change(func(v *web.View) { v.At = v.At.Add(time.Second) })
	_ = c.SetReadDeadline(time.Now().Add(600 * time.Millisecond))
	if _, raw, err := c.ReadMessage(); err == nil {
		t.Errorf("nothing changed, and yet: %s", raw)
	}
}

// Replaying every message over the snapshot gives the House's view.
func TestLiveReplay(t *testing.T) {
	house, ts := cellar(t, nil)
	c := watch(t, ts)
	m, _ := next(t, c)
	printers := map[string]web.Printer{}
	for _, p := range m.View.Printers {
		printers[p.Name] = p
	}
	for i := range 10 {
		house.Change(func(v *web.View) {
			p := &v.Printers[i%5]
			p.Why = fmt.Sprint("step ", i)
			p.Resends = int64(i)
		})
		m, _ := next(t, c)
		for _, p := range m.Printers {
			if old := printers[p.Name]; p.Run != nil && p.Run.Outline == nil && old.Run != nil && old.Run.ID == p.Run.ID {
				p.Run.Outline = old.Run.Outline
			}
			if old := printers[p.Name]; p.Plate.Outline == nil && p.Plate.RunID != 0 && p.Plate.RunID == old.Plate.RunID {
				p.Plate.Outline = old.Plate.Outline
			}
			printers[p.Name] = p
		}
	}
	v, _ := house.View(context.Background())
	for _, want := range v.Printers {
		a, _ := json.Marshal(printers[want.Name])
		b, _ := json.Marshal(want)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s differs after the replay:\n%s\n%s", want.Name, a, b)
		}
	}
}

// The value that RFC 6455, section 1.3, works out for the sample nonce (from
// memory).
func TestLiveAcceptValue(t *testing.T) {
	_, ts := cellar(t, nil)
	conn, err := net.Dial("tcp", strings.TrimPrefix(ts.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "GET /api/live HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n", strings.TrimPrefix(ts.URL, "http://"))
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := resp.Header.Get("Sec-WebSocket-Accept"); resp.StatusCode != http.StatusSwitchingProtocols || got != "s3pPLMBiTxaQ9kYGzzhZRbK+xOo=" {
		t.Errorf("status %d, Sec-WebSocket-Accept %q", resp.StatusCode, got)
	}
}

func TestLiveRefusesForeignPages(t *testing.T) {
	_, ts := cellar(t, nil)
	for _, origin := range []string{"http://evil.example", "null", "https://127.0.0.1.evil.example"} {
		_, resp, err := dial(t, ts, http.Header{"Origin": {origin}})
		if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden || resp.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("origin %s: %v %v", origin, resp, err)
		}
	}
	if _, _, err := dial(t, ts, http.Header{"Origin": {ts.URL}}); err != nil {
		t.Errorf("our own page: %v", err)
	}
	if _, resp, err := dial(t, ts, http.Header{"Host": {"evil.example"}}); err == nil || resp.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("a rebound name: %v %v", resp, err)
	}
}

func TestLiveIsBounded(t *testing.T) {
	_, ts := cellar(t, func(o *web.Options) { o.MaxWatchers = 3 })
	var all []*websocket.Conn
	for range 3 {
		c := watch(t, ts)
		next(t, c)
		all = append(all, c)
	}
	_, resp, err := dial(t, ts, nil)
	if err == nil || resp.StatusCode != http.StatusServiceUnavailable || resp.Header.Get("Retry-After") == "" {
		t.Fatalf("a fourth of three: %v %v", resp, err)
	}
	all[0].Close()
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if _, _, err := dial(t, ts, nil); err == nil {
			break
		} else if time.Now().After(deadline) {
			t.Fatalf("a place was not given back: %v", err)
		}
	}
}

// With nobody watching, the House is left alone.
func TestLiveRests(t *testing.T) {
	house, ts := cellar(t, nil)
	if n := house.Subscribers(); n != 0 {
		t.Fatalf("%d subscriptions before anyone watches", n)
	}
	c := watch(t, ts)
	next(t, c)
	if n := house.Subscribers(); n != 1 {
		t.Fatalf("%d subscriptions for one client", n)
	}
	c.Close()
	for deadline := time.Now().Add(5 * time.Second); house.Subscribers() > 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the subscription outlived the last client")
		}
	}
}

// When the House cannot be read, a newcomer is told to come again.
func TestLiveWithoutView(t *testing.T) {
	house, ts := cellar(t, nil)
	house.FailWith(errors.New("disk"))
	c := watch(t, ts)
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	_, _, err := c.ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseTryAgainLater) {
		t.Errorf("got %v", err)
	}
}

// The end of the daemon ends live connections with a word, and Run returns.
func TestServeEnds(t *testing.T) {
	srv, err := web.New(web.Options{House: webtest.New(noon), Listen: "127.0.0.1:0", Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	l, err := srv.Listen()
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(ctx, l) }()
	c, _, err := websocket.DefaultDialer.Dial("ws://"+l.Addr().String()+"/api/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	next(t, c)
	stop()
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, _, err := c.ReadMessage(); !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("the client was told %v", err)
	}
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("Serve did not return")
	}
	if n := srv.Watchers(); n != 0 {
		t.Errorf("%d watchers are left", n)
	}
}

// The address of another daemon is named.
func TestTakenAddress(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	srv, err := web.New(web.Options{House: webtest.New(noon), Listen: l.Addr().String(), Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	if err := srv.Run(t.Context()); err == nil || !strings.Contains(err.Error(), l.Addr().String()) {
		t.Errorf("got %v", err)
	}
}
