// Bench measures what README claims, and prints it with the machine that it was
// measured on.
package main

import (
	"fmt"
	"os"

	"github.com/alecthomas/kong"
)

type program struct {
	Wire    wireCmd     `cmd:"" help:"The link: line utilisation, delay, CPU, memory and starvation, beside one line at a time."`
	Gcode   gcodeCmd    `cmd:"" help:"Reading G-code: one generated file, read in full and in parts."`
	Reprint reprintCmd  `cmd:"" help:"Rewriting G-code: the remainder of one generated file."`
	Queue   queueCmd    `cmd:"" help:"The ledger and the dispatcher: a decision, a layer record, a start on a large folder."`
	Plan    planCmd     `cmd:"" help:"The planner: gaps to its bound, rules at the machines, the exact optimum, online, planning again."`
	Web     webCmd      `cmd:"" help:"The pages and the live line: first paint, bytes, delay and CPU with many watchers, growth."`
	House   webHouseCmd `cmd:"" name:"web-house" hidden:"" help:"The house of paper for a measurement, in a process of its own."`
	Read    readCmd     `cmd:"" hidden:"" help:"One reading, in a process of its own."`
	Peers   peersCmd    `cmd:"" hidden:"" help:"Virtual printers for a measurement, in a process of their own."`
}

func main() {
	var p program
	k := kong.Parse(&p,
		kong.Name("bench"),
		kong.Description("Measures what README claims."),
		kong.UsageOnError())
	if err := k.Run(); err != nil {
		fmt.Fprintf(os.Stderr, "bench: %v\n", err)
		os.Exit(1)
	}
}
