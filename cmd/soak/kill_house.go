package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

// killing is a house whose daemon is killed again and again.
type killing struct {
	cmd     *killCmd
	seed    uint64
	times   int
	dir     string
	program string
	dice    *rand.Rand
	report  io.Writer

	address  string
	printers []*player
	daemon   *exec.Cmd
	exited   chan struct{}

	mu      sync.Mutex
	added   map[int64]string  // jobs that the daemon has acknowledged, with their part
	said    map[int64]string  // states that it has acknowledged for good
	files   map[string]*piece // by part
	next    int
	ups     int
	judged  judged
	checked map[int64]bool // runs that were held against the traces
}

// player is one virtual printer, a process of its own.
type player struct {
	name  string
	cmd   *exec.Cmd
	trace traceReader
}

func joined(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// begin starts the printers, and a daemon that is told what there is.
func (k *killing) begin() error {
	k.added, k.said, k.files, k.checked = map[int64]string{}, map[int64]string{}, map[string]*piece{}, map[int64]bool{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	k.address = l.Addr().String()
	l.Close()
	var conf bytes.Buffer
	fmt.Fprintf(&conf, "[house]\ntime_zone = \"Europe/Amsterdam\"\ndata = \"data\"\nlisten = %q\nstart_delay = \"1s\"\npace = %g\n", k.address, k.cmd.Pace)
	fmt.Fprintf(&conf, "\n[[circuit]]\nname = \"north vault\"\nvolts = 230\nbreaker_a = 16\n\n[[circuit]]\nname = \"south vault\"\nvolts = 230\nbreaker_a = 10\n")
	for i := range k.cmd.Printers {
		p := &player{name: fmt.Sprintf("Heron%d", i+1)}
		k.printers = append(k.printers, p)
		port := filepath.Join(k.dir, p.name)
		p.trace.path = filepath.Join(k.dir, p.name+".trace")
		fmt.Fprintf(&conf, "\n[[printer]]\nname = %q\nkind = \"tall\"\npath = %q\nbaud = 250000\nvolume_mm = [300, 300, 400]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 330\nsteady_w = 120\ncircuit = %q\ncool_below_c = 50\n",
			p.name, port, []string{"north vault", "south vault"}[i%2])
		p.cmd = exec.Command(k.program, "virtual", "--at", port, "--pace", fmt.Sprint(k.cmd.Pace), "--trace", p.trace.path, "--seed", fmt.Sprint(k.seed+uint64(i)))
		if i%2 == 1 {
			p.cmd.Args = append(p.cmd.Args, "--reset-on-open") // as many boards do
		}
		if err := p.cmd.Start(); err != nil {
			return err
		}
		if err := within(20*time.Second, "the port of "+p.name, func() bool { _, err := os.Stat(port); return err == nil }); err != nil {
			return err
		}
	}
	if err := os.WriteFile(filepath.Join(k.dir, "undercroft.toml"), conf.Bytes(), 0o600); err != nil {
		return err
	}
	if err := k.serve(); err != nil {
		return err
	}
	say := func(path string, body any) error {
		code, text, err := k.call("POST", path, body)
		if err == nil && code/100 != 2 {
			err = fmt.Errorf("%s answered %d: %s", path, code, text)
		}
		return err
	}
	if err := say("/api/hours", map[string]string{"home": "none", "cold": "none"}); err != nil {
		return err
	}
	for i, p := range k.printers {
		if err := say("/api/spools", map[string]any{"number": i + 1, "material": "PLA", "full_g": fullG}); err != nil {
			return err
		}
		if err := say("/api/printers/"+p.name+"/load", map[string]any{"number": i + 1}); err != nil {
			return err
		}
		if err := say("/api/printers/"+p.name+"/fit", map[string]any{"nozzle_mm": 0.4, "surface": "smooth"}); err != nil {
			return err
		}
	}
	return k.stop()
}

// fullG is what each printer's reel holds at the start.
const fullG = 20000.0

func within(d time.Duration, what string, holds func() bool) error {
	for deadline := time.Now().Add(d); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if holds() {
			return nil
		}
	}
	return fmt.Errorf("%s: not within %v", what, d)
}

// start starts a daemon and does not wait for it.
func (k *killing) start() error {
	log, err := os.OpenFile(filepath.Join(k.dir, "serve.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	k.daemon = exec.Command(k.program, "serve", "--config", filepath.Join(k.dir, "undercroft.toml"))
	k.daemon.Stdout, k.daemon.Stderr = log, log
	if err := k.daemon.Start(); err != nil {
		return err
	}
	k.exited = make(chan struct{})
	go func(d *exec.Cmd, gone chan struct{}) { _ = d.Wait(); close(gone) }(k.daemon, k.exited)
	return nil
}

// await waits until the daemon answers, or until a moment.
func (k *killing) await(until time.Time) bool {
	for time.Now().Before(until) {
		select {
		case <-k.exited:
			return false
		default:
		}
		if code, _, err := k.call("GET", "/api/printers", nil); err == nil && code == 200 {
			return true
		}
		time.Sleep(5 * time.Millisecond)
	}
	return false
}

// serve starts a daemon that has as long as it needs.
func (k *killing) serve() error {
	if err := k.start(); err != nil {
		return err
	}
	if !k.await(time.Now().Add(30 * time.Second)) {
		return errors.New("the daemon does not come up; its log is serve.log")
	}
	return nil
}

// kill ends the daemon as a power cut would.
func (k *killing) kill() {
	select {
	case <-k.exited: // by itself: alive complains
		return
	default:
	}
	_ = k.daemon.Process.Signal(syscall.SIGKILL)
	<-k.exited
}

// alive says whether the daemon had ended by itself before it was killed.
func (k *killing) alive() error {
	if s := k.daemon.ProcessState; s != nil && s.Exited() {
		return fmt.Errorf("the daemon ended by itself with exit code %d; its log is serve.log", s.ExitCode())
	}
	return nil
}

// stop ends the daemon in order.
func (k *killing) stop() error {
	_ = k.daemon.Process.Signal(syscall.SIGTERM)
	select {
	case <-k.exited:
	case <-time.After(time.Minute):
		return errors.New("the daemon does not end within a minute")
	}
	if code := k.daemon.ProcessState.ExitCode(); code != 0 {
		return fmt.Errorf("the daemon ended with exit code %d", code)
	}
	return nil
}

// end ends every process that is still there.
func (k *killing) end() error {
	if k.daemon != nil {
		k.kill()
	}
	for _, p := range k.printers {
		if p.cmd != nil && p.cmd.Process != nil {
			_ = p.cmd.Process.Kill()
			_ = p.cmd.Wait()
		}
	}
	return nil
}

var caller = http.Client{Timeout: 3 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// call asks the daemon; body is sent as JSON, or as it is when it is bytes.
func (k *killing) call(method, path string, body any) (int, []byte, error) {
	var src io.Reader
	kind := "application/json"
	switch b := body.(type) {
	case nil:
	case []byte:
		src, kind = bytes.NewReader(b), "application/octet-stream"
	default:
		text, err := json.Marshal(b)
		if err != nil {
			return 0, nil, err
		}
		src = bytes.NewReader(text)
	}
	req, err := http.NewRequest(method, "http://"+k.address+path, src)
	if err != nil {
		return 0, nil, err
	}
	if src != nil {
		req.Header.Set("Content-Type", kind)
	}
	resp, err := caller.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, text, err
}
