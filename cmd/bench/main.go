// Bench measures the figures that README quotes. Each subcommand makes its own
// data from a seed, measures on this machine, and prints a table.
package main

import (
	"fmt"
	"os"

	"github.com/alecthomas/kong"
)

type program struct {
	Gcode gcodeCmd `cmd:"" help:"Read and plan a large G-code file, beside a plain count of its lines."`
}

func main() {
	var p program
	k := kong.Parse(&p, kong.Name("bench"), kong.Description("Measures the figures that README quotes, on this machine."), kong.UsageOnError())
	if err := k.Run(); err != nil {
		fmt.Fprintf(os.Stderr, "bench: %v\n", err)
		os.Exit(1)
	}
}
