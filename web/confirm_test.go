package web_test

import (
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"undercroft/web"
	"undercroft/web/door"
	"undercroft/web/webtest"
)

// What heats or moves a machine needs the role, and from another computer the
// machine's name besides; whatever was asked for is in the record.
func TestConfirmFromAfar(t *testing.T) {
	book := webtest.Book(t)
	keys := map[string]string{}
	for name, role := range map[string]door.Role{"script": door.Operate, "gauges": door.Watch} {
		key, err := book.AddKey(name, role)
		if err != nil {
			t.Fatal(err)
		}
		keys[name] = key
	}
	audit, err := door.OpenAudit(filepath.Join(t.TempDir(), "audit.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer audit.Close()
	house := webtest.New(noon)
	srv, err := web.New(web.Options{House: house, Book: book, Audit: audit, Listen: "0.0.0.0:8017",
		Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	const near, afar = "127.0.0.1:4711", "192.0.2.9:4711"
	const cleared = `{"empty":true,"seated":true}`
	for _, c := range []struct {
		name, from, key, path, body, confirm string
		status                               int
		kind                                 string
	}{
		{"beside the machine", near, "script", "/api/printers/Egret/cleared", cleared, "", 204, ""},
		{"from afar", afar, "script", "/api/printers/Egret/cleared", cleared, "", 428, "wants-confirmation"},
		{"from afar, another name", afar, "script", "/api/printers/Egret/cleared", cleared, "Curlew", 428, "wants-confirmation"},
		{"from afar, not a name", afar, "script", "/api/printers/Egret/cleared", cleared, "%zz", 428, "wants-confirmation"},
		{"from afar, by name", afar, "script", "/api/printers/Egret/cleared", cleared, "Egret", 409, "clear already"},
		{"from afar, percent-encoded", afar, "script", "/api/printers/Egret/cleared", cleared, "%45gret", 409, "clear already"},
		{"what moves nothing", afar, "script", "/api/printers/Egret/stop", `{"cause":"it curls"}`, "", 409, "Nothing runs"},
		{"taking back", afar, "script", "/api/printers/Egret/take-back", "", "", 428, "wants-confirmation"},
		{"a watcher, by name", afar, "gauges", "/api/printers/Egret/cleared", cleared, "Egret", 403, "not-from-here"},
		{"nobody", afar, "", "/api/printers/Egret/cleared", cleared, "Egret", 401, "no-credential"},
	} {
		r := httptest.NewRequest("POST", c.path, strings.NewReader(c.body))
		r.Host, r.RemoteAddr = "192.0.2.7:8017", c.from
		r.Header.Set("Content-Type", "application/json")
		if c.key != "" {
			r.Header.Set("Authorization", "Bearer "+keys[c.key])
		}
		if c.confirm != "" {
			r.Header.Set(web.ConfirmHeader, c.confirm)
		}
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.kind) {
			t.Errorf("%s: %d %s, want %d %s", c.name, w.Code, w.Body, c.status, c.kind)
		}
	}
	entries, err := audit.Newest(100, time.Time{})
	if err != nil || len(entries) != 10 {
		t.Fatalf("%d entries in the record, %v", len(entries), err)
	}
	if e := entries[0]; e.Who != "" || e.Status != 401 {
		t.Errorf("nobody is recorded as %+v", e)
	}
	if e := entries[1]; e.Who != "gauges" || e.Status != 403 {
		t.Errorf("the watcher is recorded as %+v", e)
	}
	if e := entries[3]; e.Who != "script" || e.How != "key" || e.From != afar || string(e.Body) != `{"cause":"it curls"}` {
		t.Errorf("the stop is recorded as %+v", e)
	}

	// A password never is.
	r := httptest.NewRequest("POST", door.InPath, strings.NewReader("name=Wim&password="+strings.ReplaceAll(webtest.Password, " ", "+")))
	r.Host, r.RemoteAddr = "192.0.2.7:8017", afar
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	srv.Handler().ServeHTTP(w, r)
	if entries, err = audit.Newest(1, time.Time{}); err != nil || w.Code != 303 || entries[0].Who != "Wim" || entries[0].How != "log-in" || entries[0].Body != nil {
		t.Errorf("a log-in: %d, recorded as %+v, %v", w.Code, entries, err)
	}
}

// The record is for those who may operate.
func TestAuditIsNotForWatchers(t *testing.T) {
	book := webtest.Book(t)
	watch, err := book.AddKey("gauges", door.Watch)
	if err != nil {
		t.Fatal(err)
	}
	_, ts := cellar(t, func(o *web.Options) { o.Book = book })
	if resp, text := ask(t, "GET", ts.URL+"/api/audit", "", "Authorization", "Bearer "+watch); resp.StatusCode != 403 {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if resp, text := ask(t, "GET", ts.URL+"/api/me", "", "Authorization", "Bearer "+watch); !strings.Contains(text, `"gauges"`) || !strings.Contains(text, `"watch"`) {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}
