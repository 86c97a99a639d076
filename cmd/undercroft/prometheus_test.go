package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// dashboardQueries are all queries of the dashboard file, by panel.
func dashboardQueries(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "metrics", "dashboard", "undercroft.json"))
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, p := range d.Panels {
		for _, q := range p.Targets {
			// The pages fill this in from the width of the picture and the interval of scrapes.
			out[strings.ReplaceAll(q.Expr, "$__rate_interval", "5s")] = p.Title
		}
	}
	if len(out) < 40 {
		t.Fatalf("only %d queries were found", len(out))
	}
	return out
}

// TestPrometheus has the real Prometheus scrape a daemon with a running print:
// every query of the dashboard gives something, and every rule can be evaluated.
func TestPrometheus(t *testing.T) {
	path, err := exec.LookPath("prometheus")
	if err != nil {
		if os.Getenv("UNDERCROFT_PROMETHEUS") == "required" {
			t.Fatal("prometheus is not installed, and UNDERCROFT_PROMETHEUS says that it must be: apt-get install prometheus")
		}
		t.Skip("prometheus is not installed: apt-get install prometheus")
	}
	t.Parallel()
	s := newSite(t, 40, "Merel", "Bittern")
	s.serve()
	s.ready("Merel", "Bittern")
	s.must("add", s.part("Bracket 1"), "--kind", "tall", "--build", "Heron")
	for _, name := range []string{"Merel", "Bittern"} {
		s.must("cleared", name)
	}

	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	rules, err := filepath.Abs(filepath.Join("..", "..", "metrics", "rules", "undercroft.rules.yml"))
	if err != nil {
		t.Fatal(err)
	}
	conf := fmt.Sprintf("global: {scrape_interval: 500ms, evaluation_interval: 1s}\nrule_files: [%q]\nscrape_configs:\n- job_name: undercroft\n  static_configs: [{targets: [%q]}]\n", rules, s.address)
	file := filepath.Join(s.dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	log, err := os.Create(filepath.Join(s.dir, "prometheus.log"))
	if err != nil {
		t.Fatal(err)
	}
	p := exec.Command(path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(s.dir, "tsdb"), "--web.listen-address="+address)
	p.Stdout, p.Stderr = log, log
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = p.Process.Kill()
		_ = p.Wait()
		_ = log.Close()
	})
	ask := func(path string, into any) error {
		resp, err := http.Get("http://" + address + path)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		return json.NewDecoder(resp.Body).Decode(into)
	}
	query := func(q string) (n int, err error) {
		var a struct {
			Status, Error string
			Data          struct{ Result []json.RawMessage }
		}
		if err := ask("/api/v1/query?query="+url.QueryEscape(q), &a); err != nil {
			return 0, err
		}
		if a.Status != "success" {
			return 0, fmt.Errorf("%s", a.Error)
		}
		return len(a.Data.Result), nil
	}
	s.wait("a layer that is down, as Prometheus has it", func() bool {
		n, err := query("undercroft_run_completed_layers > 0 and undercroft_run_completed_height_meters > 0")
		return err == nil && n > 0
	})
	open := dashboardQueries(t)
	for deadline := time.Now().Add(40 * time.Second); len(open) > 0 && time.Now().Before(deadline); time.Sleep(500 * time.Millisecond) {
		for q, panel := range open {
			n, err := query(q)
			if err != nil {
				t.Errorf("%s: %s: %v", panel, q, err)
			}
			if err != nil || n > 0 {
				delete(open, q)
			}
		}
	}
	for q, panel := range open {
		t.Errorf("%s: nothing comes of %s", panel, q)
	}
	var r struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	s.wait("the rules", func() bool {
		if err := ask("/api/v1/rules", &r); err != nil || len(r.Data.Groups) != 1 {
			return false
		}
		for _, rule := range r.Data.Groups[0].Rules {
			if rule.Health == "unknown" {
				return false
			}
		}
		return true
	})
	for _, rule := range r.Data.Groups[0].Rules {
		if rule.Health != "ok" {
			t.Errorf("rule %s: %s %s", rule.Name, rule.Health, rule.LastError)
		}
	}
}
