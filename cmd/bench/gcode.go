package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"text/tabwriter"
	"time"

	"undercroft/gcode"
	"undercroft/gcode/analyze"
)

// gcodeCmd times the reading of one generated file.
type gcodeCmd struct {
	MB   int    `default:"1000" help:"Size of the file in megabytes."`
	Seed uint64 `default:"1" help:"Seed of the file."`
	Runs int    `default:"3" help:"Runs of each; the fastest counts."`
	Dir  string `help:"Where to write the file; it is removed afterwards." type:"existingdir"`
}

// Run generates, measures and prints.
func (c *gcodeCmd) Run() error {
	dir, err := os.MkdirTemp(c.Dir, "bench")
	if err != nil {
		return fmt.Errorf("cannot make a place for the file: %w", err)
	}
	defer os.RemoveAll(dir)
	name := filepath.Join(dir, "print.gcode")
	if err := writeMoves(name, int64(c.MB)*1_000_000, c.Seed); err != nil {
		return err
	}
	info, err := os.Stat(name)
	if err != nil {
		return err
	}
	fmt.Printf("%d MB of walls, infill and travel from seed %d, %s %s, %d cores\n", info.Size()/1_000_000, c.Seed, runtime.Version(), runtime.GOARCH, runtime.NumCPU())

	var count time.Duration
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "what\tseconds\tMB/s\ttimes wc -l")
	for _, b := range []struct {
		what string
		run  func() error
	}{
		{"wc -l", func() error { return exec.Command("wc", "-l", name).Run() }},
		{"lines alone", func() error { return eachLine(name) }},
		{"commands as sent", func() error { return eachCommand(name) }},
		{"inspect, one core", func() error { return inspectOn(name, 1) }},
		{"inspect, all cores", func() error { return inspectOn(name, runtime.NumCPU()) }},
	} {
		best := time.Duration(math.MaxInt64)
		for range max(1, c.Runs) {
			start := time.Now()
			if err := b.run(); err != nil {
				return fmt.Errorf("%s: %w", b.what, err)
			}
			best = min(best, time.Since(start))
		}
		if count == 0 {
			count = best
		}
		fmt.Fprintf(w, "%s\t%.2f\t%.0f\t%.1f\n", b.what, best.Seconds(), float64(info.Size())/1e6/best.Seconds(), best.Seconds()/count.Seconds())
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if peak := peakMemory(); peak != "" {
		fmt.Printf("memory at most: %s\n", peak)
	}
	return nil
}

func eachLine(name string) error {
	return withFile(name, func(f io.Reader) error {
		lines := gcode.NewLines(f)
		for {
			if _, err := lines.Next(); err != nil {
				return ended(err)
			}
		}
	})
}

func eachCommand(name string) error {
	return withFile(name, func(f io.Reader) error {
		commands := gcode.NewCommands(f)
		for {
			if _, _, err := commands.Next(); err != nil {
				return ended(err)
			}
		}
	})
}

func inspectOn(name string, cores int) error {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
	return withFile(name, func(f io.Reader) error {
		_, err := analyze.Read(f, analyze.Options{})
		return err
	})
}

func withFile(name string, do func(io.Reader) error) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	return do(f)
}

func ended(err error) error {
	if err == io.EOF {
		return nil
	}
	return err
}

// peakMemory is the greatest resident size of this process, where the system tells.
func peakMemory() string {
	data, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return ""
	}
	for _, line := range strings.Split(string(data), "\n") {
		if v, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			return strings.TrimSpace(v)
		}
	}
	return ""
}

// writeMoves writes what a slicer does: walls as wobbly loops of short segments,
// infill in long lines, travel with retraction, layer after layer.
func writeMoves(name string, size int64, seed uint64) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("cannot write the file: %w", err)
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	p := &moves{w: bufio.NewWriterSize(f, 1<<20), r: rand.New(rand.NewPCG(seed, seed))}
	p.put("M140 S60\nM109 S210\nG28\nG90\nM83\nG92 E0\n")
	for z := 0.2; p.written < size; z += 0.2 {
		p.put("G1 Z%.2f F600\n", math.Mod(z, 200)+0.2)
		for range 12 {
			p.disc(60+80*p.r.Float64(), 60+80*p.r.Float64(), 5+30*p.r.Float64())
		}
	}
	p.put("M104 S0\nM140 S0\nM84\n")
	return p.w.Flush()
}

type moves struct {
	w       *bufio.Writer
	r       *rand.Rand
	x, y    float64
	written int64
}

func (p *moves) put(format string, args ...any) {
	n, _ := fmt.Fprintf(p.w, format, args...) // the writer keeps its error for Flush
	p.written += int64(n)
}

func (p *moves) line(x, y float64) {
	p.put("G1 X%.3f Y%.3f E%.5f\n", x, y, 0.0332*math.Hypot(x-p.x, y-p.y))
	p.x, p.y = x, y
}

func (p *moves) disc(cx, cy, radius float64) {
	for wall := range 2 {
		r := radius - 0.45*float64(wall)
		p.put("G1 E-0.80000 F2100\nG0 X%.3f Y%.3f F9000\nG1 E0.80000 F2100\nG1 F1800\n", cx+r, cy)
		p.x, p.y = cx+r, cy
		segments := int(r * 8)
		for k := 1; k <= segments; k++ {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(segments))
			w := r + 0.3*math.Sin(float64(k)*0.4) + 0.01*p.r.Float64()
			p.line(cx+w*cos, cy+w*sin)
		}
	}
	for k := 0.0; k < radius; k += 0.9 {
		half := math.Sqrt(radius*radius - k*k)
		p.line(cx-half, cy+k)
		p.line(cx+half, cy+k)
	}
}
