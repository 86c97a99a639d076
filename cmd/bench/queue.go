package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"undercroft/fleet"
	"undercroft/gcode/analyze"
	"undercroft/queue"
	"undercroft/queue/store"
)

// queueCmd measures the ledger and the dispatcher at sizes above what a house
// has. It runs from the project's folder: the first figures are Go benchmarks
// there.
type queueCmd struct {
	Jobs   int `default:"10000" help:"Jobs in the folder that the daemon starts on."`
	Layers int `default:"1000000" help:"Layer records in it."`
	Starts int `default:"5" help:"How many starts are timed."`
}

// The targets stand beside the figures, so that a reader need not look them up.
const (
	decisionTarget = "p99 ≤ 10 ms"
	recordTarget   = "p99 ≤ 1.5 ms"
	startTarget    = "≤ 300 ms"
)

// Run measures and prints a table.
func (c *queueCmd) Run() error {
	fmt.Println(machine())
	decision, err := goBench("./queue/dispatch", "BenchmarkDecision$", "500x")
	if err != nil {
		return err
	}
	fmt.Printf("a decision, 50 printers, 5,000 jobs queued   p50 %s, p99 %s   (%s)\n", decision["p50-µs"], decision["p99-µs"], decisionTarget)
	record, err := goBench("./queue/store", "BenchmarkLayerRecord$", "3000x")
	if err != nil {
		return err
	}
	fmt.Printf("a layer record, durable                      p50 %s, p99 %s   (%s)\n", record["p50-µs"], record["p99-µs"], recordTarget)
	return c.starts()
}

// goBench runs one benchmark and returns what it reported, with units.
func goBench(pkg, name, times string) (map[string]string, error) {
	cmd := exec.Command("go", "test", "-run", "^$", "-bench", name, "-benchtime", times, pkg)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s in %s: %w\n%s%s", name, pkg, err, out, errs.Bytes())
	}
	got := map[string]string{}
	lines := bufio.NewScanner(bytes.NewReader(out))
	for lines.Scan() {
		fields := strings.Fields(lines.Text())
		if len(fields) < 4 || !strings.HasPrefix(fields[0], "Benchmark") {
			continue
		}
		for i := 2; i+1 < len(fields); i += 2 {
			got[fields[i+1]] = fields[i] + " " + strings.TrimPrefix(strings.TrimPrefix(fields[i+1], "p50-"), "p99-")
		}
	}
	if len(got) == 0 {
		return nil, fmt.Errorf("%s in %s reported nothing:\n%s", name, pkg, out)
	}
	return got, nil
}

// starts times the daemon from its start until it answers, on a large folder.
func (c *queueCmd) starts() error {
	dir, err := os.MkdirTemp("", "bench")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	program := filepath.Join(dir, "undercroft")
	if out, err := exec.Command("go", "build", "-o", program, "./cmd/undercroft").CombinedOutput(); err != nil {
		return fmt.Errorf("the daemon cannot be built: %w\n%s", err, out)
	}
	if err := c.fill(filepath.Join(dir, "data")); err != nil {
		return err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	address := l.Addr().String()
	l.Close()
	var conf strings.Builder
	fmt.Fprintf(&conf, "[house]\ntime_zone = \"UTC\"\ndata = \"data\"\nlisten = %q\n\n[[circuit]]\nname = \"wall\"\nvolts = 230\nbreaker_a = 16\n", address)
	for i := range 8 {
		fmt.Fprintf(&conf, "\n[[printer]]\nname = \"Fen-%d\"\nkind = \"fen\"\npath = %q\nbaud = 250000\nvolume_mm = [300, 300, 400]\nmax_nozzle_c = 275\nmax_bed_c = 105\nheating_w = 330\nsteady_w = 120\ncircuit = \"wall\"\ncool_below_c = 45\n",
			i, filepath.Join(dir, fmt.Sprint("port", i)))
	}
	if err := os.WriteFile(filepath.Join(dir, "undercroft.toml"), []byte(conf.String()), 0o600); err != nil {
		return err
	}
	// The first start finds open runs, as after a kill, and records them.
	if _, _, err := startDaemon(program, dir, address); err != nil {
		return err
	}
	var took []time.Duration
	resident := 0
	for range c.Starts {
		d, kB, err := startDaemon(program, dir, address)
		if err != nil {
			return err
		}
		took, resident = append(took, d), max(resident, kB)
	}
	slices.Sort(took)
	fmt.Printf("start to serving, %d jobs, %d records    %d ms, at most %d ms of %d   (%s)\n",
		c.Jobs, c.Layers, took[len(took)/2].Milliseconds(), took[len(took)-1].Milliseconds(), len(took), startTarget)
	fmt.Printf("resident then                                %.0f MB\n", float64(resident)/1000)
	return nil
}

// fill makes the folder through the store's own doors.
func (c *queueCmd) fill(dir string) error {
	ctx := context.Background()
	s, _, err := store.Open(ctx, dir, store.Options{})
	if err != nil {
		return err
	}
	var names []string
	for i := range 50 {
		names = append(names, fmt.Sprint("Fen-", i))
	}
	if _, err := s.Printers(ctx, names); err != nil { // which makes them known
		return errors.Join(err, s.Close())
	}
	const files = 100
	layers := make([]analyze.Layer, 100)
	var ids []int64
	for i := range files {
		f := &queue.File{SHA256: fmt.Sprintf("%064x", i), Name: fmt.Sprintf("part-%d.gcode", i), Bytes: 1 << 20, Lines: 40000, EstimateS: 3600, MassG: 20, HeightMM: 20, LayerMM: 0.2, LayerCount: 100}
		jobs := make([]queue.Job, c.Jobs/files)
		for k := range jobs {
			jobs[k] = queue.Job{State: queue.Queued, FileName: f.Name, Part: fmt.Sprint("part ", i), Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}
		}
		added, err := s.Add(ctx, f, layers, jobs)
		if err != nil {
			return errors.Join(err, s.Close())
		}
		ids = append(ids, added[0].ID)
	}
	for i := range names {
		if _, err := s.SetPlate(ctx, names[i], queue.PlateClear, ""); err != nil {
			return errors.Join(err, s.Close())
		}
		st, err := s.StartRun(ctx, ids[i], names[i])
		if err != nil {
			return errors.Join(err, s.Close())
		}
		for k := range c.Layers / len(names) {
			s.Journal().Append(fleet.LayerRecord{RunID: st.Run.ID, Index: k, TopMM: float64(k) / 5, At: time.Now()})
			if k%500 == 499 {
				if err := s.Journal().Flush(ctx); err != nil {
					return errors.Join(err, s.Close())
				}
			}
		}
		if err := s.Journal().Flush(ctx); err != nil {
			return errors.Join(err, s.Close())
		}
	}
	return s.Close()
}

// startDaemon runs the daemon until it answers; it returns how long that took and the
// memory that it then holds, in kB.
func startDaemon(program, dir, address string) (time.Duration, int, error) {
	cmd := exec.Command(program, "serve")
	cmd.Dir = dir
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return 0, 0, err
	}
	defer func() {
		cmd.Process.Signal(syscall.SIGTERM)
		cmd.Wait()
	}()
	for {
		resp, err := http.Get("http://" + address + "/healthz")
		if err == nil {
			resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				break
			}
		}
		if time.Since(began) > time.Minute {
			return 0, 0, fmt.Errorf("the daemon does not answer:\n%s", said.Bytes())
		}
		time.Sleep(time.Millisecond)
	}
	took := time.Since(began)
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
	if err != nil {
		return took, 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kB, err := strconv.Atoi(strings.Fields(rest)[0])
			return took, kB, err
		}
	}
	return took, 0, errors.New("the system does not tell the daemon's memory")
}
