// Soak streams generated files to virtual printers over lines on which
// everything goes wrong, and has a judge that shares no code with the link say
// whether each printer executed exactly the file, or the run was stopped with a
// cause and a height that is not above the truth.
package main

import (
	"fmt"
	"os"

	"github.com/alecthomas/kong"

	"undercroft/fleet/sim"
)

type program struct {
	Rate rateCmd `cmd:"" help:"How much damage a line checksum lets through: computed, and counted."`
	Kill killCmd `cmd:"" help:"The daemon killed at random instants; the ledger against what the printers executed."`
	Wire wireCmd `cmd:"" help:"The link against virtual printers of all families under a mix of all faults."`
	Plan planCmd `cmd:"" help:"The planner on random instances, against a judge and, where they are small, the exact optimum."`
}

func main() {
	var p program
	k := kong.Parse(&p,
		kong.Name("soak"),
		kong.Description("The fault campaign: long, seeded, judged from outside."),
		kong.UsageOnError(),
		kong.Vars{"faults_help": sim.FaultsHelp})
	if err := k.Run(); err != nil {
		fmt.Fprintf(os.Stderr, "soak: %v\n", err)
		os.Exit(1)
	}
}
