package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"time"

	"undercroft/gcode/analyze"
)

// readCmd inspects one file, or its input, in a process of its own, so that
// memory is that of this reading alone.
type readCmd struct {
	File string `arg:"" optional:"" help:"The file; its input where none is given."`
}

// reading is what one reading took.
type reading struct {
	Seconds float64
	Lines   int64
	Bytes   int64
	Allocs  uint64 // in all
	PeakKB  int64  // of resident memory; 0 where the system does not tell
}

// Run reads and prints a reading as JSON.
func (c *readCmd) Run() error {
	in := os.Stdin
	if c.File != "" {
		f, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer f.Close()
		in = f
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := time.Now()
	r, err := analyze.Read(in, analyze.Options{})
	if err != nil {
		return err
	}
	took := time.Since(start)
	runtime.ReadMemStats(&after)
	return json.NewEncoder(os.Stdout).Encode(reading{took.Seconds(), r.Lines, r.Bytes, after.Mallocs - before.Mallocs, peakKB()})
}

// inspect reads a file, or what is written to the process, on that many cores.
func inspect(file string, in io.Reader, cores int) (reading, error) {
	self, err := os.Executable()
	if err != nil {
		return reading{}, err
	}
	args := []string{"read"}
	if file != "" {
		args = append(args, file)
	}
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS="+strconv.Itoa(cores))
	cmd.Stdin, cmd.Stderr = in, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return reading{}, err
	}
	var r reading
	return r, json.Unmarshal(out, &r)
}

// peakKB is the greatest resident size of this process.
func peakKB() int64 {
	data, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(data)) {
		if v, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kb, _ := strconv.ParseInt(strings.Fields(v)[0], 10, 64)
			return kb
		}
	}
	return 0
}

// endless gives layers of the same lines, one above the other, without a file,
// until size is reached: it ends in the middle of a line.
type endless struct {
	size  int64
	layer []byte
	rest  []byte
	z     float64
}

func newEndless(size int64, seed uint64) *endless {
	var b bytes.Buffer
	p := &moves{w: &b, r: rand.New(rand.NewPCG(seed, seed))}
	for range 12 {
		p.disc(60+80*p.r.Float64(), 60+80*p.r.Float64(), 5+30*p.r.Float64())
	}
	return &endless{size: size, layer: b.Bytes(), rest: []byte(preamble)}
}

func (e *endless) Read(p []byte) (int, error) {
	if e.size <= 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && int64(n) < e.size {
		if len(e.rest) == 0 {
			e.z += 0.2
			if e.z > 200 {
				e.z = 0.2
			}
			e.rest = append(fmt.Appendf(nil, "G1 Z%.2f F600\n", e.z), e.layer...)
		}
		k := copy(p[n:min(int64(len(p)), e.size)], e.rest)
		e.rest = e.rest[k:]
		n += k
	}
	e.size -= int64(n)
	return n, nil
}
