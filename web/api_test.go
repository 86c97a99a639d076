package web_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"undercroft/queue"
	"undercroft/web"
	"undercroft/web/webtest"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func cellar(t *testing.T, edit func(*web.Options)) (*webtest.House, *httptest.Server) {
	t.Helper()
	house := webtest.New(noon)
	o := web.Options{
		House: house, Version: "test",
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "undercroft_test 1") }),
		Health:  func() error { return nil },
	}
	if edit != nil {
		edit(&o)
	}
	srv, err := web.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ts := httptest.NewServer(srv.Handler())
	t.Cleanup(ts.Close)
	return house, ts
}

func ask(t *testing.T, method, url, body string, header ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
		if header[i] == "Host" {
			req.Host = header[i+1]
		}
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(text)
}

// TestOperations holds for each operation its status and what the House hears.
func TestOperations(t *testing.T) {
	for _, c := range []struct {
		method, path, body string
		status             int
		heard              string
		says               string // a piece of the answer
	}{
		{"GET", "/api/view", "", 200, "", `"title":"Heron lantern"`},
		{"GET", "/api/printers", "", 200, "", `"name":"Bittern"`},
		{"GET", "/api/jobs", "", 200, "", `"id":41`},
		{"GET", "/api/jobs?all=true", "", 200, "", `"id":41`},
		{"GET", "/api/jobs/47/why", "", 200, "", "needs 0.8 mm nozzle, 0.4 is fitted"},
		{"GET", "/api/jobs/99/why", "", 404, "", `"kind":"not-found"`},
		{"GET", "/api/jobs/x/why", "", 400, "", `"kind":"not-valid"`},
		{"GET", "/api/mishaps", "", 200, "", `"completed_mm":77.4`},
		{"POST", "/api/jobs/46/hold", "", 204, "hold 46", ""},
		{"POST", "/api/jobs/41/hold", "", 409, "hold 41", `"kind":"not-possible-now"`},
		{"POST", "/api/jobs/48/release", "", 204, "release 48", ""},
		{"POST", "/api/jobs/46/cancel", "", 204, "cancel 46", ""},
		{"POST", "/api/jobs/42/decide", `{"again":true}`, 204, "decide 42 {Again:true}", ""},
		{"POST", "/api/jobs/42/decide", `{}`, 400, "", "again"},
		{"POST", "/api/jobs/42/decide", `{"again":"yes"}`, 400, "", "expected boolean"},
		{"POST", "/api/jobs/42/decide", `{"again":true,"please":1}`, 400, "", "unexpected property"},
		{"POST", "/api/jobs/42/decide", `{"again"`, 400, "", `"kind":"not-valid"`},
		{"POST", "/api/jobs/42/decide", "", 400, "", `"kind":"not-valid"`},
		{"POST", "/api/printers/Curlew/cleared", `{"empty":true,"seated":true,"good":5}`, 204, `cleared Curlew empty=true seated=true surface="" good=5`, ""},
		{"POST", "/api/printers/Curlew/cleared", `{"empty":true,"seated":true}`, 204, `cleared Curlew empty=true seated=true surface="" good=all`, ""},
		{"POST", "/api/printers/Curlew/cleared", `{"empty":true,"seated":true,"good":null}`, 204, `cleared Curlew empty=true seated=true surface="" good=all`, ""},
		{"POST", "/api/printers/Curlew/cleared", `{"empty":true}`, 400, "", "seated"},
		{"POST", "/api/printers/Curlew/cleared", `{"empty":true,"seated":true,"good":-1}`, 400, "", "good"},
		{"POST", "/api/printers/Nobody/cleared", `{"empty":true,"seated":true}`, 404, `cleared Nobody empty=true seated=true surface="" good=all`, "Nobody"},
		{"POST", "/api/printers/Dunlin/not-yet", "", 204, "not-yet Dunlin", ""},
		{"POST", "/api/printers/Curlew/not-yet", "", 409, "not-yet Curlew", ""},
		{"POST", "/api/printers/Curlew/lend", "", 204, "lend Curlew", ""},
		{"POST", "/api/printers/Curlew/take-back", "", 409, "take-back Curlew", ""},
		{"POST", "/api/printers/Bittern/resume", "", 409, "resume Bittern", ""},
		{"POST", "/api/printers/Bittern/pause", "", 204, "pause Bittern", ""},
		{"POST", "/api/printers/Bittern/loaded", `{"colour":"moss","grams":1000}`, 409, `loaded Bittern {"colour":"moss","grams":1000}`, ""},
		{"POST", "/api/printers/Bittern/loaded", `{"color":"moss"}`, 400, "", "unexpected property"},
		{"POST", "/api/printers/Egret/emergency", `{"cause":"smoke"}`, 503, "emergency Egret smoke", "Pull the plug"},
		{"POST", "/api/printers/Merel/emergency", `{"cause":""}`, 400, "", "cause"},
		{"POST", "/api/printers/Bittern/stop", `{"cause":"came loose"}`, 204, "stop Bittern came loose", ""},
		{"POST", "/api/printers/Bittern/stop", `{"cause":""}`, 400, "", "cause"},
		{"POST", "/api/printers/Dunlin/fit", `{"nozzle_mm":0.8}`, 204, `fit Dunlin {"nozzle_mm":0.8}`, ""},
		{"POST", "/api/printers/Dunlin/service", `{"out":true,"reason":"belt"}`, 204, "service Dunlin", ""},
		{"POST", "/api/printers/Dunlin/service", `{"out":false}`, 204, "service Dunlin", ""},
		{"GET", "/api/spools", "", 200, "", `"grams_left":412`},
		{"GET", "/api/spools/3", "", 200, "", `"gross_g":624`},
		{"GET", "/api/spools/9", "", 404, "", `"kind":"not-found"`},
		{"POST", "/api/spools", `{"material":"PLA"}`, 200, "add-spool {Number:0 Material:PLA Colour: DiameterMM:0 DensityGCM3:0 Price:0 FullG:0 TareG:<nil> LeftG:<nil>}", `"number":6`},
		{"POST", "/api/spools", `{"material":""}`, 400, "", "material"},
		{"POST", "/api/spools/3/weigh", `{"gross_g":600}`, 200, "weigh 3", `"grams_left":388`},
		{"POST", "/api/spools/5/retire", "", 204, "retire-spool 5", ""},
		{"POST", "/api/printers/Merel/load", `{"number":5}`, 204, "load Merel 5", ""},
		{"POST", "/api/printers/Merel/load", `{"number":-1}`, 400, "", "number"},
		{"POST", "/api/printers/Bittern/eyes", `{"good":true}`, 204, "eyes Bittern true", ""},
		{"POST", "/api/printers/Bittern/eyes", `{}`, 400, "", "good"},
		{"POST", "/api/printers/Curlew/eyes", `{"good":true}`, 409, "eyes Curlew true", "first layer"},
		{"GET", "/api/printers/Merel/expect?estimate_s=3600&material=PLA&nozzle_mm=0.6", "", 200, "", `"holds":0.8`},
		{"GET", "/api/printers/Merel/expect?estimate_s=-1", "", 400, "", "estimate_s"},
		{"GET", "/api/printers/Merel/machine", "", 200, "", `"homing_s":21`},
		{"POST", "/api/stock", `{"margin":0.1,"eyes":false}`, 204, "set-stock", ""},
		{"POST", "/api/stock", `{"margin":7}`, 400, "set-stock", "margin"},
		{"GET", "/reels", "", 200, "", "<b>3</b>"},
		{"POST", "/api/cool", "", 200, "cool", `"printer":"Egret","ok":false`},
		{"POST", "/api/hours", `{"home":"none","cold":"none"}`, 204, `hours home="none" cold="none"`, ""},
		{"POST", "/api/hours", `{"home":"whenever","cold":"none"}`, 400, `hours home="whenever" cold="none"`, "daily 07:00-22:00"},
		{"POST", "/api/hours", `{"home":"none"}`, 400, "", "cold"},
		{"GET", "/api/nothing", "", 404, "", `"kind":"not-found"`},
		{"POST", "/api/nothing", "", 404, "", `"kind":"not-found"`},
		{"DELETE", "/api/jobs", "", 405, "", "GET"},
		{"POST", "/api/reload", "", 200, "reload", `"changed":["title"],"restart":["listen: the pages are open there"],"warnings":[]`},
		{"GET", "/api/cool", "", 405, "", "POST"},
		{"GET", "/api/live", "", 426, "", "websocket"},
		{"GET", "/openapi.json", "", 200, "", `"openapi":"3.1.0"`},
		{"GET", "/healthz", "", 200, "", "well"},
		{"GET", "/metrics", "", 200, "", "undercroft_test 1"},
		{"GET", "/", "", 200, "", "<title>Now: Undercroft</title>"},
		{"GET", "/static/page-now.js", "", 200, "", "import"},
		{"GET", "/static/../now.html", "", 307, "", ""},
		{"GET", "/static/nothing.js", "", 404, "", ""},
		{"GET", "/now.html", "", 404, "", ""},
	} {
		t.Run(c.method+" "+c.path+" "+c.body, func(t *testing.T) {
			house, ts := cellar(t, nil)
			resp, text := ask(t, c.method, ts.URL+c.path, c.body)
			if resp.StatusCode != c.status {
				t.Errorf("status %d, want %d: %s", resp.StatusCode, c.status, text)
			}
			if !strings.Contains(text, c.says) {
				t.Errorf("the answer lacks %q: %s", c.says, text)
			}
			if got := strings.Join(house.Calls(), "; "); got != c.heard {
				t.Errorf("the house heard %q, want %q", got, c.heard)
			}
			if resp.StatusCode >= 400 && strings.HasPrefix(c.path, "/api/") {
				if kind := resp.Header.Get("Content-Type"); kind != "application/problem+json" {
					t.Errorf("a problem (RFC 9457) has the media type application/problem+json, not %q", kind)
				}
				var p web.Problem
				if err := json.Unmarshal([]byte(text), &p); err != nil || p.Status != resp.StatusCode || p.Title == "" || p.Detail == "" || p.Kind == "" {
					t.Errorf("no whole problem: %v %s", err, text)
				}
			}
		})
	}
}

// TestErrorKinds holds the table from error kinds to statuses.
func TestErrorKinds(t *testing.T) {
	for _, c := range []struct {
		err    error
		status int
		kind   string
		detail string
	}{
		{fmt.Errorf("no printer is called Heron: %w", queue.ErrNotFound), 404, "not-found", "No printer is called Heron."},
		{fmt.Errorf("two hours overlap: %w", queue.ErrInvalid), 400, "not-valid", "Two hours overlap."},
		{fmt.Errorf("it is printing: %w", queue.ErrConflict), 409, "not-possible-now", "It is printing."},
		{fmt.Errorf("neck-3.gcode is empty: %w", queue.ErrRefused), 422, "refused", "neck-3.gcode is empty."},
		{fmt.Errorf("the store does not answer: %w", queue.ErrUnavailable), 503, "cannot-be-reached", "The store does not answer."},
		{errors.New("disk secret /var/lib/x: i/o error"), 500, "internal", "Something in the daemon went wrong; its log says what. Nothing is known to have changed."},
	} {
		var log bytes.Buffer
		house, ts := cellar(t, func(o *web.Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		house.FailWith(c.err)
		resp, text := ask(t, "GET", ts.URL+"/api/view", "")
		var p web.Problem
		if err := json.Unmarshal([]byte(text), &p); err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != c.status || p.Kind != c.kind || p.Detail != c.detail {
			t.Errorf("%v: %d %s %q, want %d %s %q", c.err, resp.StatusCode, p.Kind, p.Detail, c.status, c.kind, c.detail)
		}
		if logged := strings.Contains(log.String(), "disk secret"); logged != (c.status == 500) {
			t.Errorf("%v: logged %t", c.err, logged)
		}
	}
}

func TestAdd(t *testing.T) {
	form := func(fields ...string) (string, string) {
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		for i := 0; i < len(fields); i += 2 {
			_ = m.WriteField(fields[i], fields[i+1])
		}
		f, _ := m.CreateFormFile("file", "../../lamp.gcode")
		_, _ = f.Write([]byte("G28\n"))
		_ = m.Close()
		return b.String(), m.FormDataContentType()
	}
	plainForm, plainKind := form()
	fullForm, fullKind := form("kind", "fen-small", "count", "2", "on_hold", "true")
	badForm, badKind := form("count", "many")
	strangeForm, strangeKind := form("glitter", "red")
	for _, c := range []struct {
		name, query, body, kind string
		status                  int
		heard                   string
		says                    string
	}{
		{"bare", "?file_name=neck.gcode&count=2&kind=fen-small", "G28\nG1 X1\n", "text/x-gcode", 201, "add neck.gcode", `"job_ids":[108,109]`},
		{"no type", "?file_name=neck.gcode", "G28\n", "", 201, "add neck.gcode", ""},
		{"octets", "?file_name=neck.gcode", "G28\n", "application/octet-stream", 201, "add neck.gcode", ""},
		{"a path in the name", "?file_name=..%2F..%2Fetc%2Fneck.gcode", "G28\n", "", 201, "add neck.gcode ", ""},
		{"a path the other way", `?file_name=C%3A%5Ctmp%5Cneck.gcode`, "G28\n", "", 201, "add neck.gcode ", ""},
		{"a name that steers", "?file_name=a%1B%5B2Jb%E2%80%AEc.gcode", "G28\n", "", 201, "add a[2Jbc.gcode ", ""},
		{"a name of dots", "?file_name=..", "G28\n", "", 400, "", "file_name"},
		{"no name", "", "G28\n", "", 400, "", "file_name"},
		{"bad count", "?file_name=a&count=-3", "G28\n", "", 400, "", "count"},
		{"refused", "?file_name=a.gcode", "\x89PNG", "", 422, "add a.gcode", `"line":88`},
		{"form", "", plainForm, plainKind, 201, "add lamp.gcode", ""},
		{"form with fields", "", fullForm, fullKind, 201, "add lamp.gcode {FileName:lamp.gcode Kind:fen-small Part: Assembly: Build: Way: Section: Yields: Mirror: Seam: WayOnly:false Count:2 Pieces:0 NozzleMM:0 Material: Colour: Surface: ClearsSelf:false OnHold:true} 4 bytes", ""},
		{"form with a bad field", "", badForm, badKind, 400, "", "count"},
		{"form with a strange field", "", strangeForm, strangeKind, 400, "", "glitter"},
		{"form cut short", "", plainForm[:60], plainKind, 400, "", "form"},
		{"form without a file", "", "--x\r\nContent-Disposition: form-data; name=\"kind\"\r\n\r\nfen\r\n--x--\r\n", "multipart/form-data; boundary=x", 400, "", "no file"},
		{"too large", "?file_name=a.gcode", "G" + strings.Repeat("x", 3000), "", 413, "", "too-large"},
	} {
		t.Run(c.name, func(t *testing.T) {
			house, ts := cellar(t, func(o *web.Options) { o.MaxFileBytes = 2000 })
			resp, text := ask(t, "POST", ts.URL+"/api/files"+c.query, c.body, "Content-Type", c.kind)
			if resp.StatusCode != c.status || !strings.Contains(text, c.says) {
				t.Errorf("status %d, want %d, with %q: %s", resp.StatusCode, c.status, c.says, text)
			}
			if got := strings.Join(house.Calls(), "; "); !strings.HasPrefix(got, c.heard) || c.heard == "" && got != "" {
				t.Errorf("the house heard %q, want %q", got, c.heard)
			}
		})
	}
}

// A length that is not announced is bounded all the same, while it streams.
func TestAddBoundsAStream(t *testing.T) {
	house, ts := cellar(t, func(o *web.Options) { o.MaxFileBytes = 100_000 })
	req, err := http.NewRequest("POST", ts.URL+"/api/files?file_name=endless.gcode", io.LimitReader(zeros{}, 10<<20))
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d, want 413", resp.StatusCode)
	}
	if calls := house.Calls(); len(calls) > 0 {
		t.Errorf("the house took %q", calls)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'G'
	}
	return len(p), nil
}

// TestHeaders holds what every answer carries.
func TestHeaders(t *testing.T) {
	_, ts := cellar(t, nil)
	for _, path := range []string{"/", "/api/view", "/api/nothing", "/static/page-now.js", "/openapi.json"} {
		resp, _ := ask(t, "GET", ts.URL+path, "")
		policy := resp.Header.Get("Content-Security-Policy")
		for _, must := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
			if !strings.Contains(policy, must) {
				t.Errorf("%s: the policy lacks %s: %s", path, must, policy)
			}
		}
		if strings.Contains(policy, "unsafe") || strings.Contains(policy, "http") || strings.Contains(policy, "*") {
			t.Errorf("%s: the policy lets strangers in: %s", path, policy)
		}
		if got := resp.Header.Get("X-Content-Type-Options"); got != "nosniff" {
			t.Errorf("%s: X-Content-Type-Options %q", path, got)
		}
	}
}

// A page elsewhere can change nothing, whether its browser speaks Fetch Metadata
// or only Origin; programs without either can.
func TestForeignPages(t *testing.T) {
	for _, c := range []struct {
		header []string
		status int
	}{
		{nil, 204},
		{[]string{"Sec-Fetch-Site", "same-origin"}, 204},
		{[]string{"Sec-Fetch-Site", "cross-site"}, 403},
		{[]string{"Sec-Fetch-Site", "same-site"}, 403},
		{[]string{"Origin", "http://evil.example"}, 403},
		{[]string{"Origin", "null"}, 403},
		{[]string{"Host", "evil.example"}, 421},
		{[]string{"Host", "evil.example", "Origin", "http://evil.example"}, 421},
		{[]string{"X-Forwarded-For", "203.0.113.7"}, 403},
	} {
		house, ts := cellar(t, nil)
		resp, text := ask(t, "POST", ts.URL+"/api/jobs/46/hold", "", c.header...)
		if resp.StatusCode != c.status {
			t.Errorf("%v: status %d, want %d: %s", c.header, resp.StatusCode, c.status, text)
		}
		if heard := len(house.Calls()) > 0; heard != (c.status == 204) {
			t.Errorf("%v: the house heard it: %t", c.header, heard)
		}
	}
}

func TestHealth(t *testing.T) {
	_, ts := cellar(t, func(o *web.Options) {
		o.Health = func() error { return errors.New("the store at a secret place is full") }
	})
	resp, text := ask(t, "GET", ts.URL+"/healthz", "")
	if resp.StatusCode != 503 || strings.Contains(text, "secret") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}

// A body larger than any answer needs is not read.
func TestBodyIsBounded(t *testing.T) {
	_, ts := cellar(t, nil)
	resp, _ := ask(t, "POST", ts.URL+"/api/hours", `{"home":"`+strings.Repeat("x", 100_000)+`","cold":"none"}`)
	if resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d, want 413", resp.StatusCode)
	}
}

// TestOpenAPI holds that every operation is described, and with its problem.
func TestOpenAPI(t *testing.T) {
	_, ts := cellar(t, nil)
	_, text := ask(t, "GET", ts.URL+"/openapi.json", "")
	var doc struct {
		Paths map[string]map[string]struct {
			OperationID string         `json:"operationId"`
			Summary     string         `json:"summary"`
			Responses   map[string]any `json:"responses"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for path, ops := range doc.Paths {
		for method, op := range ops {
			ids = append(ids, op.OperationID)
			if op.Summary == "" || op.Responses["default"] == nil {
				t.Errorf("%s %s is not described", method, path)
			}
		}
	}
	slices.Sort(ids)
	if len(slices.Compact(slices.Clone(ids))) != len(ids) {
		t.Errorf("two operations have one name: %v", ids)
	}
}

func TestPanicStaysInside(t *testing.T) {
	_, ts := cellar(t, func(o *web.Options) {
		o.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("a secret") })
	})
	resp, text := ask(t, "GET", ts.URL+"/metrics", "")
	if resp.StatusCode != 500 || strings.Contains(text, "secret") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}

func TestUnchangedPageIsNotSentAgain(t *testing.T) {
	_, ts := cellar(t, nil)
	resp, _ := ask(t, "GET", ts.URL+"/", "")
	again, text := ask(t, "GET", ts.URL+"/", "", "If-None-Match", resp.Header.Get("ETag"))
	if again.StatusCode != http.StatusNotModified || text != "" {
		t.Errorf("status %d with %d bytes, want 304 with none", again.StatusCode, len(text))
	}
}
