package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"undercroft/cmd/undercroft/heron"
	"undercroft/web"
)

// TestMain lets the test binary be the program itself: the tests start it as
// `undercroft` in processes of its own.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"undercroft": func() { os.Exit(execute(os.Args[1:], os.Stdout, os.Stderr)) },
	})
}

// site is a folder with a configuration, virtual printers and a daemon, each a
// process of its own.
type site struct {
	t       *testing.T
	dir     string
	address string
	virtual []*exec.Cmd
	daemon  *exec.Cmd
}

// newSite starts one virtual printer for each name, of one kind.
func newSite(t *testing.T, pace float64, names ...string) *site {
	t.Helper()
	var printers []sitePrinter
	for _, name := range names {
		printers = append(printers, sitePrinter{name: name})
	}
	return newSiteOf(t, pace, printers...)
}

// sitePrinter is one printer of a site.
type sitePrinter struct {
	name    string
	conf    string   // more lines of its table in the configuration
	virtual []string // more arguments of `undercroft virtual`
}

func newSiteOf(t *testing.T, pace float64, printers ...sitePrinter) *site {
	t.Helper()
	if testing.Short() {
		t.Skip("starts processes")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &site{t: t, dir: t.TempDir(), address: l.Addr().String()}
	l.Close()
	var conf strings.Builder
	fmt.Fprintf(&conf, "[house]\ntime_zone = \"Europe/Amsterdam\"\ndata = \"data\"\nlisten = %q\nstart_delay = \"1s\"\npace = %g\n\n", s.address, pace)
	conf.WriteString("[[circuit]]\nname = \"wall\"\nvolts = 230\nbreaker_a = 16\n")
	for _, p := range printers {
		name, port := p.name, filepath.Join(s.dir, p.name)
		fmt.Fprintf(&conf, "\n[[printer]]\nname = %q\nkind = \"tall\"\npath = %q\nbaud = 250000\nvolume_mm = [300, 300, 400]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 330\nsteady_w = 120\ncircuit = \"wall\"\ncool_below_c = 50\n%s\n", name, port, p.conf)
		v := exec.Command("undercroft", append([]string{"virtual", "--at", port, "--pace", fmt.Sprint(pace), "--trace", s.trace(name)}, p.virtual...)...)
		if err := v.Start(); err != nil {
			t.Fatal(err)
		}
		s.virtual = append(s.virtual, v)
		s.wait("the port of "+name, func() bool { _, err := os.Stat(port); return err == nil })
	}
	if err := os.WriteFile(filepath.Join(s.dir, "undercroft.toml"), []byte(conf.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if s.daemon != nil {
			_ = s.daemon.Process.Kill()
			_ = s.daemon.Wait()
		}
		for _, v := range s.virtual {
			_ = v.Process.Kill()
			_ = v.Wait()
		}
	})
	return s
}

func (s *site) trace(name string) string { return filepath.Join(s.dir, name+".trace") }

// serve starts the daemon and waits until it answers.
func (s *site) serve() {
	s.t.Helper()
	s.daemon = exec.Command("undercroft", "serve", "--config", filepath.Join(s.dir, "undercroft.toml"))
	log, err := os.OpenFile(filepath.Join(s.dir, "serve.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	s.daemon.Stdout, s.daemon.Stderr = log, log
	if err := s.daemon.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.wait("the daemon", func() bool { _, _, code := s.try("printers"); return code == exitDone })
}

// end sends the daemon a signal and waits for it; it returns its exit code.
func (s *site) end(sig syscall.Signal) int {
	s.t.Helper()
	_ = s.daemon.Process.Signal(sig)
	err := s.daemon.Wait()
	s.daemon = nil
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return exit.ExitCode()
	}
	return 0
}

// try runs a command of the program.
func (s *site) try(args ...string) (stdout, stderr string, code int) {
	cmd := exec.Command("undercroft", args...)
	cmd.Env = append(os.Environ(), "UNDERCROFT_SERVER=http://"+s.address)
	cmd.Dir = s.dir
	var out, errOut bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errOut
	_ = cmd.Run()
	return out.String(), errOut.String(), cmd.ProcessState.ExitCode()
}

// must is try for what has to work; it returns what was printed.
func (s *site) must(args ...string) string {
	s.t.Helper()
	out, errOut, code := s.try(args...)
	if code != exitDone {
		s.t.Fatalf("undercroft %s: exit code %d\n%s%s", strings.Join(args, " "), code, out, errOut)
	}
	return out
}

// ask runs a command with --json and decodes what it prints.
func ask[T any](s *site, args ...string) T {
	s.t.Helper()
	var v T
	out := s.must(append(args, "--json")...)
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		s.t.Fatalf("undercroft %s: %v in %s", strings.Join(args, " "), err, out)
	}
	return v
}

// wait waits up to a minute for something to hold.
func (s *site) wait(what string, holds func() bool) {
	s.t.Helper()
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if holds() {
			return
		}
	}
	log, _ := os.ReadFile(filepath.Join(s.dir, "serve.log"))
	s.t.Fatalf("%s: not within a minute\n%s", what, log)
}

// endVirtual ends the virtual printers in order, so that their traces are whole.
func (s *site) endVirtual() {
	s.t.Helper()
	for _, v := range s.virtual {
		_ = v.Process.Signal(syscall.SIGTERM)
		_ = v.Wait()
	}
	s.virtual = nil
}

// part slices a part of the demo's build into the site's folder.
func (s *site) part(name string) string {
	s.t.Helper()
	for _, p := range heron.New(1).Parts {
		if p.Name != name {
			continue
		}
		path := filepath.Join(s.dir, p.File)
		f, err := os.Create(path)
		if err != nil {
			s.t.Fatal(err)
		}
		if err := errors.Join(heron.Slice(p, f), f.Close()); err != nil {
			s.t.Fatal(err)
		}
		return path
	}
	s.t.Fatalf("the build has no part %q", name)
	return ""
}

// ready answers the first questions and fits every printer.
func (s *site) ready(names ...string) {
	s.t.Helper()
	s.must("hours", "--home", "none", "--cold", "none")
	for _, name := range names {
		s.must("fit", name, "--nozzle", "0.4", "--material", "PLA", "--grams", "1000", "--plate", "smooth")
	}
}

// endState is the last line of a trace: what the virtual printer ended as.
func endState(t *testing.T, trace string) (highestMM float64, targets []float64) {
	t.Helper()
	text, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	words := strings.Fields(lines[len(lines)-1])
	ended := false
	for i, w := range words[:len(words)-1] {
		v, err := strconv.ParseFloat(words[i+1], 64)
		switch {
		case w == "end":
			ended = true
		case w == "highest-extruded-z" && err == nil:
			highestMM = v
		case w == "target" && err == nil:
			targets = append(targets, v)
		}
	}
	if !ended || len(targets) == 0 {
		t.Fatalf("%s does not end with the state of the printer: %q", trace, lines[len(lines)-1])
	}
	return highestMM, targets
}

// executed lists what a trace says was executed, the host's own questions left out.
func executed(t *testing.T, trace string) []string {
	t.Helper()
	text, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for line := range strings.SplitSeq(string(text), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		f := strings.SplitN(line, " ", 3)
		if len(f) == 3 && !isHostsOwn([]byte(f[2])) {
			out = append(out, f[2])
		}
	}
	return out
}

func printerOf(t *testing.T, list []web.Printer, name string) web.Printer {
	t.Helper()
	for _, p := range list {
		if p.Name == name {
			return p
		}
	}
	t.Fatalf("no printer %s", name)
	return web.Printer{}
}

// metricOf is the value of one series of the daemon's metrics.
func metricOf(t *testing.T, s *site, series string) float64 {
	t.Helper()
	resp, err := http.Get("http://" + s.address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("there is no %s", series)
	return 0
}
