package main

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// webCmd measures the pages and the live line.
type webCmd struct {
	Printers int           `default:"50" help:"Printers in the house of paper."`
	Watchers int           `default:"300" help:"Live connections."`
	For      time.Duration `default:"15s" help:"How long to watch."`
	Heap     time.Duration `default:"20s" help:"How long a page is left open to see whether it grows; 0: not."`
}

// Run measures against a house in a process of its own, so that its CPU is the
// server's alone.
func (k *webCmd) Run() error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	house := exec.Command(self, "web-house", "--printers", strconv.Itoa(k.Printers))
	house.Stderr = os.Stderr
	in, err := house.StdinPipe()
	if err != nil {
		return err
	}
	out, err := house.StdoutPipe()
	if err != nil {
		return err
	}
	if err := house.Start(); err != nil {
		return err
	}
	defer func() {
		in.Close() // its end
		_ = house.Wait()
	}()
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return fmt.Errorf("the house did not open: %w", err)
	}
	address := strings.TrimSpace(line)
	fmt.Printf("%d printers, of which 5 change in each fifth of a second (simulated)\n", k.Printers)
	files, bytes, err := pagesSize("http://" + address)
	if err != nil {
		return err
	}
	fmt.Printf("all pages and what they load, gzip: %.1f kB in %d files\n", float64(bytes)/1000, files)
	if err := k.watch(address, house.Process.Pid); err != nil {
		return err
	}
	return k.browse("http://" + address)
}

// watch opens the live connections and measures how late changes come: from the
// instant at which the view was taken to its last byte at each client, clients
// and server on one machine.
func (k *webCmd) watch(address string, pid int) error {
	var (
		all    sync.WaitGroup
		mu     sync.Mutex
		delays []time.Duration
		conns  []*websocket.Conn
		volume int64
	)
	for range k.Watchers {
		c, _, err := websocket.DefaultDialer.Dial("ws://"+address+"/api/live", nil)
		if err != nil {
			return fmt.Errorf("watcher %d: %w", len(conns)+1, err)
		}
		conns = append(conns, c)
	}
	refused, kindly := 0, 0
	for range 40 { // more than the house takes
		c, resp, err := websocket.DefaultDialer.Dial("ws://"+address+"/api/live", nil)
		switch {
		case err == nil:
			conns = append(conns, c)
		case resp != nil && resp.StatusCode == http.StatusServiceUnavailable && resp.Header.Get("Retry-After") != "":
			refused, kindly = refused+1, kindly+1
		default:
			refused++
		}
	}
	for _, c := range conns[k.Watchers:] {
		c.Close()
	}
	conns = conns[:k.Watchers]
	time.Sleep(time.Second)
	descriptors, highest := openFiles(pid)
	before, began := cpuSeconds(pid), time.Now()
	until := began.Add(k.For)
	for _, c := range conns {
		all.Go(func() {
			var own []time.Duration
			var bytes int64
			_ = c.SetReadDeadline(until)
			for {
				_, raw, err := c.ReadMessage()
				if err != nil {
					break
				}
				now := time.Now()
				if now.Before(began) {
					continue
				}
				bytes += int64(len(raw))
				// Taking the whole message apart 1,500 times a second would measure this
				// side's JSON: its instant stands near its beginning.
				if m := atOf.FindSubmatch(raw[:min(len(raw), 200)]); m != nil {
					if at, err := time.Parse(time.RFC3339Nano, string(m[1])); err == nil {
						own = append(own, now.Sub(at))
					}
				}
			}
			mu.Lock()
			delays, volume = append(delays, own...), volume+bytes
			mu.Unlock()
		})
	}
	all.Wait()
	took := time.Since(began)
	cpu := (cpuSeconds(pid) - before) / took.Seconds()
	for _, c := range conns {
		c.Close()
	}
	if len(delays) == 0 {
		return errors.New("nothing came over the live connections")
	}
	slices.Sort(delays)
	at := func(q float64) float64 { return float64(delays[int(q*float64(len(delays)-1))].Microseconds()) / 1000 }
	fmt.Printf("%d watchers: %.1f changes a second each, %.1f kB a change; delay p50 %.1f ms, p99 %.1f ms; server %.3f core\n",
		k.Watchers, float64(len(delays))/took.Seconds()/float64(k.Watchers), float64(volume)/float64(len(delays))/1000, at(0.5), at(0.99), cpu)
	fmt.Printf("of 40 more %d were refused, %d of them kindly (503, Retry-After); %d descriptors open, the highest %d\n", refused, kindly, descriptors, highest)
	return nil
}

var atOf = regexp.MustCompile(`"at":"([^"]+)"`)

// cpuSeconds is what a process has used so far, by proc(5), at 100 ticks a second.
func cpuSeconds(pid int) float64 {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	_, after, _ := strings.Cut(string(data), ") ")
	f := strings.Fields(after)
	if len(f) < 13 {
		return 0
	}
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	return (user + system) / 100
}

// openFiles counts a process's descriptors and gives the highest.
func openFiles(pid int) (n, highest int) {
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		return 0, 0
	}
	for _, e := range list {
		if fd, err := strconv.Atoi(e.Name()); err == nil {
			highest = max(highest, fd)
		}
	}
	return len(list), highest
}

var linked = regexp.MustCompile(`(?:href|src)="(/[^"#?]*)"|(?:from|import)\s*\(?\s*"((?:\.|/)[^"]+)"|url\("?((?:\.|/)[^")]+)"?\)`)

// pagesSize follows the pages from the first one and adds up what a browser
// loads of them, compressed. The API's own page and answers do not count.
func pagesSize(base string) (files int, size int64, err error) {
	todo, seen := []string{base + "/"}, map[string]bool{base + "/": true}
	for len(todo) > 0 && files < 300 {
		at := todo[0]
		todo = todo[1:]
		req, err := http.NewRequest(http.MethodGet, at, nil)
		if err != nil {
			return 0, 0, err
		}
		req.Header.Set("Accept-Encoding", "gzip")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0, 0, err
		}
		counted := &counter{r: resp.Body}
		var body io.Reader = counted
		if resp.Header.Get("Content-Encoding") == "gzip" {
			if body, err = gzip.NewReader(counted); err != nil {
				resp.Body.Close()
				return 0, 0, fmt.Errorf("%s: %w", at, err)
			}
		}
		text, err := io.ReadAll(io.LimitReader(body, 8<<20))
		resp.Body.Close()
		if err != nil {
			return 0, 0, fmt.Errorf("%s: %w", at, err)
		}
		if resp.StatusCode != http.StatusOK {
			continue
		}
		files, size = files+1, size+counted.n
		for _, m := range linked.FindAllStringSubmatch(string(text), -1) {
			next, err := resp.Request.URL.Parse(m[1] + m[2] + m[3])
			if err != nil || strings.HasPrefix(next.Path, "/api") || strings.HasPrefix(next.Path, "/door") {
				continue
			}
			if u := next.String(); !seen[u] {
				seen[u] = true
				todo = append(todo, u)
			}
		}
	}
	return files, size, nil
}

type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// median sorts.
func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}
