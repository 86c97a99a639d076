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
	"text/tabwriter"
	"time"

	"undercroft/gcode"
)

// gcodeCmd times the reading of one generated file.
type gcodeCmd struct {
	MB     int    `default:"1000" help:"Size of the file in megabytes."`
	Seed   uint64 `default:"1" help:"Seed of the file."`
	Runs   int    `default:"3" help:"Runs of each; the fastest counts."`
	Stream int    `help:"Instead, inspect generated streams of 1 MB up to this many, without a file: does memory grow?"`
	Alone  bool   `help:"Leave the libraries of the registry out."`
	Dir    string `help:"Where to write the file; it is removed afterwards." type:"existingdir"`
}

// Run generates, measures and prints.
func (c *gcodeCmd) Run() error {
	fmt.Println(machine())
	if c.Stream > 0 {
		return c.streams()
	}
	dir, err := os.MkdirTemp(c.Dir, "bench")
	if err != nil {
		return fmt.Errorf("cannot make a place for the file: %w", err)
	}
	defer os.RemoveAll(dir)
	name := filepath.Join(dir, "print.gcode")
	if err := writeMoves(name, int64(c.MB)*1_000_000, c.Seed, 200); err != nil {
		return err
	}
	info, err := os.Stat(name)
	if err != nil {
		return err
	}
	size := float64(info.Size()) / 1e6
	fmt.Printf("%.0f MB of walls, infill and travel from seed %d; the fastest of %d runs each, the slowest in brackets\n", size, c.Seed, c.runs())

	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "what\tMB/s\ttimes wc -l\tallocations\ta line\tmemory at most")
	timed := func(run func() error) func() (reading, error) {
		return func() (reading, error) {
			start := time.Now()
			err := run()
			return reading{Seconds: time.Since(start).Seconds()}, err
		}
	}
	var count, one float64
	for i, b := range []struct {
		what string
		run  func() (reading, error)
	}{
		{"wc -l", timed(func() error { return exec.Command("wc", "-l", name).Run() })},
		{"lines alone", timed(func() error { return eachLine(name) })},
		{"commands as sent", timed(func() error { return eachCommand(name) })},
		{"inspect, one core", func() (reading, error) { return inspect(name, nil, 1) }},
		{"inspect, all cores", func() (reading, error) { return inspect(name, nil, runtime.NumCPU()) }},
	} {
		var best reading
		slowest := 0.0
		for range c.runs() {
			r, err := b.run()
			if err != nil {
				return fmt.Errorf("%s: %w", b.what, err)
			}
			if best.Seconds == 0 || r.Seconds < best.Seconds {
				best = r
			}
			slowest = max(slowest, r.Seconds)
		}
		switch i {
		case 0:
			count = best.Seconds
		case 3:
			one = size / best.Seconds
		}
		fmt.Fprintf(w, "%s\t%.0f (%.0f)\t%.1f", b.what, size/best.Seconds, size/slowest, best.Seconds/count)
		if best.Lines > 0 {
			fmt.Fprintf(w, "\t%d\t%.6f\t%.1f MB", best.Allocs, float64(best.Allocs)/float64(best.Lines), float64(best.PeakKB)/1024)
		}
		fmt.Fprintln(w)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if c.Alone {
		return nil
	}
	fmt.Printf("general-purpose parser libraries, words alone, on the first %d MB:\n", registryMB)
	for _, p := range registryParsers {
		mbs, err := readByRegistry(dir, name, p)
		if err != nil {
			fmt.Printf("  %s: %v\n", p.name, err)
			continue
		}
		fmt.Printf("  %s %s (npm): %.1f MB/s; inspect on one core is %.0f times as fast\n", p.name, p.version, mbs, one/mbs)
	}
	return nil
}

func (c *gcodeCmd) runs() int { return max(1, c.Runs) }

// streams inspects generated streams of growing size, through a pipe, and prints
// what memory each takes.
func (c *gcodeCmd) streams() error {
	for mb := 1; ; mb = min(mb*10, c.Stream) {
		r, err := inspect("", newEndless(int64(mb)*1_000_000, c.Seed), runtime.NumCPU())
		if err != nil {
			return err
		}
		fmt.Printf("%6d MB: %.0f MB/s, %d lines, %d allocations, memory at most %.1f MB\n",
			mb, float64(r.Bytes)/1e6/r.Seconds, r.Lines, r.Allocs, float64(r.PeakKB)/1024)
		if mb >= c.Stream {
			return nil
		}
	}
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

// preamble heats and homes.
const preamble = "M140 S60\nM109 S210\nG28\nG90\nM83\nG92 E0\n"

// writeMoves writes what a slicer does, object upon object of topMM at most: walls as wobbly loops of short segments,
// infill in long lines, travel with retraction, layer after layer.
func writeMoves(name string, size int64, seed uint64, topMM float64) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("cannot write the file: %w", err)
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	w := bufio.NewWriterSize(f, 1<<20)
	p := &moves{w: w, r: rand.New(rand.NewPCG(seed, seed))}
	p.put(preamble)
	for z := 0.2; p.written < size; z += 0.2 {
		p.put("G1 Z%.2f F600\n", math.Mod(z, topMM)+0.2)
		for range 12 {
			p.disc(60+80*p.r.Float64(), 60+80*p.r.Float64(), 5+30*p.r.Float64())
		}
	}
	p.put("M104 S0\nM140 S0\nM84\n")
	return w.Flush()
}

type moves struct {
	w       io.Writer
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
