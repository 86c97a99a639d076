package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"undercroft/web"
	"undercroft/web/door"
	"undercroft/web/webtest"
)

var update = flag.Bool("update", false, "write the golden files anew")

// evening is when the house of paper stands still.
var evening = time.Date(2026, 11, 25, 21, 30, 0, 0, time.FixedZone("GMT", 0))

// cellar serves a house of paper.
func cellar(t *testing.T, people *door.Book) (*webtest.House, string) {
	t.Helper()
	house := webtest.New(evening)
	srv, err := web.New(web.Options{House: house, Book: people, Metrics: http.NotFoundHandler(), Health: func() error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	ts := httptest.NewServer(srv.Handler())
	t.Cleanup(ts.Close)
	return house, ts.URL
}

// run is one command as a person types it.
func run(t *testing.T, direct coolDirect, args ...string) (out, errOut string, code int) {
	t.Helper()
	var commands clientCommands
	var o, e bytes.Buffer
	k, err := kong.New(&commands, kong.Name("undercroft"), kong.Writers(&o, &e), kong.Bind(direct), kong.Exit(func(int) { t.Fatal("kong wants to exit") }))
	if err != nil {
		t.Fatal(err)
	}
	ctx, err := k.Parse(args)
	if err == nil {
		err = ctx.Run()
	} else if exitCode(err) == exitInternal {
		err = exitf(exitUsage, "%v", err)
	}
	if err != nil && !alreadySaid(err) {
		e.WriteString("undercroft: " + err.Error() + "\n")
	}
	return o.String(), e.String(), exitCode(err)
}

// TestClientGolden shows what each command prints for a person and with --json.
func TestClientGolden(t *testing.T) {
	dir := t.TempDir()
	list := filepath.Join(dir, "list.csv")
	good, bad := filepath.Join(dir, "lamp-foot.gcode"), filepath.Join(dir, "holiday.jpg.gcode")
	for name, text := range map[string]string{good: "G28\nG1 X1\n", bad: "\xff\xd8\xff", list: "Part,Qty,Paint\nWing rib,8,grey\nBeak,-1,\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name string
		args []string
		code int
	}{
		{"printers", []string{"printers"}, exitDone},
		{"printers-json", []string{"printers", "--json"}, exitDone},
		{"printers-wide", []string{"printers", "--wide"}, exitDone},
		{"jobs", []string{"jobs"}, exitDone},
		{"jobs-wide", []string{"jobs", "--wide"}, exitDone},
		{"why", []string{"why", "47"}, exitDone},
		{"why-not-found", []string{"why", "999"}, exitNotFound},
		{"mishaps", []string{"mishaps"}, exitDone},
		{"hold", []string{"hold", "46"}, exitDone},
		{"hold-running", []string{"hold", "41"}, exitNotNow},
		{"release-json", []string{"release", "48", "--json"}, exitDone},
		{"cancel", []string{"cancel", "47"}, exitDone},
		{"decide-again", []string{"decide", "42", "again"}, exitDone},
		{"decide-nonsense", []string{"decide", "42", "perhaps"}, exitUsage},
		{"cleared", []string{"cleared", "Curlew", "--good", "5", "--surface", "textured"}, exitDone},
		{"not-yet", []string{"not-yet", "Dunlin"}, exitDone},
		{"lend-unknown", []string{"lend", "Heron"}, exitNotFound},
		{"lend", []string{"lend", "Curlew"}, exitDone},
		{"take-back-not-lent", []string{"take-back", "Bittern"}, exitNotNow},
		{"pause", []string{"pause", "Bittern"}, exitDone},
		{"pause-nothing", []string{"pause", "Curlew"}, exitNotNow},
		{"resume-not-held", []string{"resume", "Bittern"}, exitNotNow},
		{"loaded-not-held", []string{"loaded", "Bittern", "--colour", "moss"}, exitNotNow},
		{"emergency", []string{"emergency", "Bittern", "--cause", "smoke"}, exitDone},
		{"emergency-absent", []string{"emergency", "Egret"}, exitNotReached},
		{"stop", []string{"stop", "Bittern", "--cause", "warped at the corner"}, exitDone},
		{"stop-without-cause", []string{"stop", "Bittern"}, exitDone},
		{"fit", []string{"fit", "Dunlin", "--nozzle", "0.8", "--grams", "950"}, exitDone},
		{"fit-nothing", []string{"fit", "Dunlin"}, exitUsage},
		{"fit-bad", []string{"fit", "Dunlin", "--nozzle=-1"}, exitUsage},
		{"spools", []string{"spools"}, exitDone},
		{"spools-rules", []string{"spools", "--margin", "10", "--short", "warn"}, exitDone},
		{"spool-add", []string{"spool", "add", "--material", "PLA", "--full", "1000", "--grams", "1000"}, exitDone},
		{"spool-add-twice", []string{"spool", "add", "3", "--material", "PLA"}, exitNotNow},
		{"spool-show", []string{"spool", "show", "3"}, exitDone},
		{"spool-weigh", []string{"spool", "weigh", "3", "--gross", "600"}, exitDone},
		{"spool-weigh-nothing", []string{"spool", "weigh", "3"}, exitUsage},
		{"spool-load", []string{"spool", "load", "5", "Merel"}, exitDone},
		{"spool-load-unknown", []string{"spool", "load", "77", "Merel"}, exitNotFound},
		{"spool-retire", []string{"spool", "retire", "5"}, exitDone},
		{"eyes", []string{"eyes"}, exitDone},
		{"eyes-good", []string{"eyes", "Bittern", "--good"}, exitDone},
		{"eyes-stop", []string{"eyes", "Bittern", "--stop"}, exitDone},
		{"eyes-nobody", []string{"eyes", "--good"}, exitUsage},
		{"eyes-off", []string{"eyes", "--calls", "off"}, exitDone},
		{"out-of-service", []string{"out-of-service", "Merel", "--reason", "belt worn"}, exitDone},
		{"in-service", []string{"in-service", "Merel"}, exitDone},
		{"cool", []string{"cool"}, exitNotReached},
		{"hours", []string{"hours"}, exitDone},
		{"hours-set", []string{"hours", "--cold", "none"}, exitDone},
		{"hours-bad", []string{"hours", "--home", "whenever"}, exitUsage},
		{"add", []string{"add", good, "--count", "2"}, exitDone},
		{"add-refused", []string{"add", bad, good}, exitRefused},
		{"add-json", []string{"add", bad, "--json"}, exitRefused},
		{"add-way", []string{"add", good, "--build", "Heron", "--assembly", "Left wing", "--part", "Wing tip", "--way", "two halves", "--section", "upper", "--seam", "glue along the spar"}, exitDone},
		{"add-plate", []string{"add", good, "--yields", "Wing rib=4, Foot=2", "--colour", "amber"}, exitDone},
		{"add-by-hand", []string{"add", "--by-hand", "Eye lens", "--hours", "3.5", "--grams", "12", "--count", "2"}, exitDone},
		{"again", []string{"again", "47"}, exitDone},
		{"order", []string{"order", "47", "46"}, exitDone},
		{"order-free", []string{"order", "47", "--free"}, exitDone},
		{"move", []string{"move", "47", "Merel"}, exitDone},
		{"move-running", []string{"move", "41", "Merel"}, exitNotNow},
		{"only-on", []string{"only-on", "47", "Merel", "Dunlin"}, exitDone},
		{"not-on", []string{"not-on", "47", "Egret"}, exitDone},
		{"yield", []string{"yield", "45", "--bad", "2,5"}, exitDone},
		{"begin", []string{"begin", "47", "--on", "Shed"}, exitDone},
		{"end", []string{"end", "47", "--good", "1"}, exitDone},
		{"build", []string{"build"}, exitDone},
		{"build-create", []string{"build", "create", "Owl", "--due", "2026-12-05"}, exitDone},
		{"build-create-twice", []string{"build", "create", "Heron"}, exitNotNow},
		{"build-show", []string{"build", "show", "Heron"}, exitDone},
		{"build-show-unknown", []string{"build", "show", "Owl"}, exitNotFound},
		{"build-set", []string{"build", "set", "Heron", "--priority", "first"}, exitDone},
		{"build-set-assembly", []string{"build", "set", "Heron", "--assembly", "Left wing", "--due", "2026-12-01"}, exitDone},
		{"parts", []string{"parts", "Heron"}, exitDone},
		{"parts-want", []string{"parts", "want", "Wing rib", "9"}, exitDone},
		{"parts-pair", []string{"parts", "pair", "Wing tip, left", "Wing tip, right"}, exitDone},
		{"parts-set-unknown", []string{"parts", "set", "Beak", "--due", "2026-12-01"}, exitNotFound},
		{"parts-in", []string{"parts", "in", list, "--build", "Heron"}, exitRefused},
		{"parts-in-good", []string{"parts", "in", list, "--build", "Heron", "--take-good"}, exitDone},
		{"parts-out", []string{"parts", "out", "Heron"}, exitDone},
		{"bad", []string{"bad", "Wing rib", "--piece", "3", "--why", "it does not meet the spar"}, exitDone},
		{"bad-unknown", []string{"bad", "Wing rib", "--piece", "7"}, exitNotFound},
		{"marks", []string{"marks", "Curlew"}, exitDone},
		{"add-missing", []string{"add", filepath.Join(dir, "nowhere.gcode")}, exitNotFound},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, url := cellar(t, nil)
			out, errOut, code := run(t, nil, append(c.args, "--server", url)...)
			if code != c.code {
				t.Errorf("exit code %d, want %d", code, c.code)
			}
			got := "$ undercroft " + strings.Join(c.args, " ") + "\n" + out
			if errOut != "" {
				got += "-- on stderr --\n" + errOut
			}
			got = strings.ReplaceAll(got, dir, "DIR")
			golden(t, filepath.Join("testdata", "client", c.name+".txt"), got)
		})
	}
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; got:\n%s\nwant:\n%s", path, got, want)
	}
}

// TestClientSays holds what the daemon hears of each command.
func TestClientSays(t *testing.T) {
	house, url := cellar(t, nil)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"cleared", "Curlew", "--good", "0"}, `cleared Curlew empty=true seated=true surface="" good=0`},
		{[]string{"hold", "46"}, "hold 46"},
		{[]string{"decide", "42", "give-up"}, "decide 42 {Again:false}"},
		{[]string{"stop", "Bittern", "--cause", "smells of smoke"}, "stop Bittern smells of smoke"},
		{[]string{"hours", "--home", "none", "--cold", "daily 01:00-05:00"}, `hours home="none" cold="daily 01:00-05:00"`},
		{[]string{"lend", "A/b c"}, "lend A/b c"},
		{[]string{"spool", "unload", "Merel"}, "load Merel 0"},
		{[]string{"eyes", "Bittern", "--good"}, "eyes Bittern true"},
		{[]string{"pause", "Bittern"}, "pause Bittern"},
		{[]string{"loaded", "Bittern", "--colour", "moss", "--grams", "900"}, `loaded Bittern {"colour":"moss","grams":900}`},
		{[]string{"pause", "Bittern"}, "pause Bittern"},
		{[]string{"loaded", "Bittern", "--spool", "12"}, `loaded Bittern {"spool":12}`},
		{[]string{"pause", "Bittern"}, "pause Bittern"},
		{[]string{"resume", "Bittern"}, "resume Bittern"},
		{[]string{"emergency", "Bittern"}, "emergency Bittern by hand"},
	} {
		run(t, nil, append(c.args, "--server", url)...)
		calls := house.Calls()
		if got := calls[len(calls)-1]; got != c.want {
			t.Errorf("%v: the house heard %q, want %q", c.args, got, c.want)
		}
	}
}

func TestClientCredential(t *testing.T) {
	book := webtest.Book(t)
	_, url := cellar(t, book)
	keys := map[string]string{}
	for name, role := range map[string]door.Role{"script": door.Operate, "gauges": door.Watch} {
		key, err := book.AddKey(name, role)
		if err != nil {
			t.Fatal(err)
		}
		keys[name] = key
	}
	for _, c := range []struct {
		key  string
		args []string
		code int
	}{
		{"", []string{"jobs"}, exitNotLetIn},
		{"uc-another-key-altogether-of-the-same-length", []string{"jobs"}, exitNotLetIn},
		{keys["gauges"], []string{"jobs"}, exitDone},
		{keys["gauges"], []string{"hours", "--home", "none", "--cold", "none"}, exitNotLetIn},
		{keys["gauges"], []string{"audit"}, exitNotLetIn},
		{keys["script"], []string{"hours", "--home", "none", "--cold", "none"}, exitDone},
		{keys["script"], []string{"audit"}, exitDone},
	} {
		t.Setenv("UNDERCROFT_KEY", c.key)
		_, errOut, code := run(t, nil, append(c.args, "--server", url)...)
		if code != c.code {
			t.Errorf("%v with key %q: exit code %d, want %d (%s)", c.args, c.key, code, c.code, errOut)
		}
	}
}

func TestClientWithoutDaemon(t *testing.T) {
	ts := httptest.NewServer(http.NotFoundHandler())
	url := ts.URL
	ts.Close()
	_, errOut, code := run(t, nil, "jobs", "--server", url)
	if code != exitNotReached || !strings.Contains(errOut, "undercroft serve") {
		t.Errorf("exit code %d, want %d; said %q", code, exitNotReached, errOut)
	}
	asked := false
	direct := func(context.Context, string) ([]web.Cooled, error) {
		asked = true
		return []web.Cooled{{Printer: "Bittern", OK: true, Text: "every heater target is zero"}}, nil
	}
	if out, errOut, code := run(t, direct, "cool", "--server", url); code != exitDone || !asked || !strings.Contains(out, "Bittern") {
		t.Errorf("cool without a daemon: exit code %d, asked the ports: %t; said %q %q", code, asked, out, errOut)
	}
}

// A daemon that answers, but whose printer does not, holds the ports: going
// past it would be two masters on one line.
func TestCoolStaysWithTheDaemon(t *testing.T) {
	ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusServiceUnavailable)
		_ = json.NewEncoder(w).Encode(web.Problem{Status: 503, Kind: "cannot-be-reached", Detail: "the store does not answer"})
	}))
	defer ts.Close()
	direct := func(context.Context, string) ([]web.Cooled, error) {
		t.Error("went to the ports past a daemon that answers")
		return nil, nil
	}
	if _, _, code := run(t, direct, "cool", "--server", ts.URL); code != exitNotReached {
		t.Errorf("exit code %d, want %d", code, exitNotReached)
	}
}

// Something else on the port must not look like an empty queue.
func TestClientStranger(t *testing.T) {
	ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>")) }))
	defer ts.Close()
	if _, errOut, code := run(t, nil, "jobs", "--server", ts.URL); code != exitNotReached {
		t.Errorf("exit code %d, want %d; said %q", code, exitNotReached, errOut)
	}
	for _, bad := range []string{"127.0.0.1:8017", "ftp://127.0.0.1", "::"} {
		if _, _, code := run(t, nil, "jobs", "--server", bad); code != exitUsage {
			t.Errorf("--server %s: exit code %d, want %d", bad, code, exitUsage)
		}
	}
}

func TestClock(t *testing.T) {
	now := time.Date(2026, 11, 25, 21, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		t    time.Time
		want string
	}{
		{time.Time{}, ""},
		{now.Add(10 * time.Minute), "21:40"},
		{now.Add(3 * time.Hour), "Thu 00:30"},
		{now.Add(-24 * time.Hour), "Tue 21:30"},
		{now.Add(8 * 24 * time.Hour), "3 Dec 21:30"},
	} {
		if got := clock(c.t, now); got != c.want {
			t.Errorf("clock(%v) = %q, want %q", c.t, got, c.want)
		}
	}
}

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		s    float64
		want string
	}{{0, "0 s"}, {-5, "0 s"}, {41.2, "42 s"}, {90, "2 min"}, {3599, "1 h"}, {23040, "6 h 24 min"}, {360000, "100 h"}} {
		if got := span(c.s); got != c.want {
			t.Errorf("span(%g) = %q, want %q", c.s, got, c.want)
		}
	}
}

func TestPlain(t *testing.T) {
	if got := plain("a\x1b[2Jb\u202ec\nd"); got != "a[2Jbcd" {
		t.Errorf("plain left something that steers a terminal: %q", got)
	}
}

// A first layer that waits is listed with why and what to answer.
func TestClientListsFirstLayers(t *testing.T) {
	house, url := cellar(t, nil)
	at := evening.Add(-4 * time.Minute)
	house.Change(func(v *web.View) {
		run := *v.Printers[0].Run
		run.Eyes, run.EyesWhy, run.EyesAt = "asked", "the first since another reel", &at
		v.Printers[0].Run = &run
	})
	out, _, _ := run(t, nil, "eyes", "--server", url)
	if want := "Bittern: look at the first layer of Body shell, left (the first since another reel), called at 21:26. 'undercroft eyes Bittern --good', or --stop.\n"; out != want {
		t.Errorf("got %q, want %q", out, want)
	}
}
