package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"undercroft/gcode/analyze"
	"undercroft/gcode/reprint"
)

// reprintCmd times the rewriting of one generated file.
type reprintCmd struct {
	MB   int    `default:"1000" help:"Size of the file in megabytes."`
	Seed uint64 `default:"1" help:"Seed of the file."`
	Dir  string `help:"Where to write the file; it is removed afterwards." type:"existingdir"`
}

// Run generates, measures and prints. The remainder of the lowest layer is the
// most that there is to write.
func (c *reprintCmd) Run() error {
	dir, err := os.MkdirTemp(c.Dir, "bench")
	if err != nil {
		return fmt.Errorf("cannot make a place for the file: %w", err)
	}
	defer os.RemoveAll(dir)
	name := filepath.Join(dir, "print.gcode")
	if err := writeMoves(name, int64(c.MB)*1_000_000, c.Seed, math.Inf(1)); err != nil {
		return err
	}
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	mb := float64(info.Size()) / 1e6
	start := time.Now()
	res, err := analyze.Read(f, analyze.Options{})
	if err != nil {
		return err
	}
	read := time.Since(start)
	fmt.Printf("%.0f MB, %d layers, seed %d, %s %s, %d cores\n", mb, len(res.Layers), c.Seed, runtime.Version(), runtime.GOARCH, runtime.NumCPU())
	fmt.Printf("reading        %6.2f s  %4.0f MB/s\n", read.Seconds(), mb/read.Seconds())
	start = time.Now()
	p, err := reprint.NewPlan(f, res, reprint.Options{Good: 1, Name: "print.gcode"})
	if err != nil {
		return err
	}
	if _, err := p.Write(f, io.Discard); err != nil {
		return err
	}
	wrote := time.Since(start)
	fmt.Printf("rewriting      %6.2f s  %4.0f MB/s, read again and checked as it is written\n", wrote.Seconds(), mb/wrote.Seconds())
	fmt.Printf("memory at most %.1f MB\n", float64(peakKB())/1000)
	return nil
}
