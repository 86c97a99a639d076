// Undercroft runs a small fleet of desktop FFF 3D printers without a screen at
// any of them. This program is the daemon, the commands that talk to it, a
// virtual printer and a demo.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"

	"github.com/alecthomas/kong"
	kongcompletion "github.com/jotaen/kong-completion"

	"undercroft/fleet/sim"
)

// program is the command line.
type program struct {
	Serve   serveCmd   `cmd:"" group:"daemon" help:"Run the daemon: hold the links, dispatch, record, show."`
	Demo    demoCmd    `cmd:"" group:"daemon" help:"Run the main job on five virtual printers."`
	Inspect inspectCmd `cmd:"" group:"files" help:"Say what G-code files will do: time, material, layers, extents, and what speaks against them."`
	Reprint reprintCmd `cmd:"" group:"files" help:"After a mishap: print only what is missing, to be joined; say what each way on costs."`
	Send    sendCmd    `cmd:"" group:"files" help:"Stream one file to one printer without a daemon, and print a record."`
	Plan    planCmd    `cmd:"" group:"files" help:"Plan which printer makes what when, from a problem in a file, and say how good the plan is."`
	Backup  backupCmd  `cmd:"" group:"files" help:"Copy the database into one file, while a daemon may be at work."`
	Check   checkCmd   `cmd:"" group:"files" help:"Read a data folder through: integrity, files and their hashes, sums that must come out."`
	Virtual virtualCmd `cmd:"" group:"files" help:"Play a printer on a pseudo-terminal."`

	clientCommands

	Ports      portsCmd                  `cmd:"" group:"install" help:"List the serial ports: lasting names, who holds each, which firmware answers."`
	Doctor     doctorCmd                 `cmd:"" group:"install" help:"Say what is wrong with this installation, why it matters and how to mend it."`
	People     peopleCmd                 `cmd:"" group:"install" help:"Who may log in, and what they may do."`
	Keys       keysCmd                   `cmd:"" group:"install" help:"Which programs are let in, and what they may do."`
	Manual     manualCmd                 `cmd:"" group:"install" help:"Print a manual page."`
	Completion kongcompletion.Completion `cmd:"" group:"install" help:"Say how a shell completes these commands."`

	Version kong.VersionFlag `help:"Print the version and end."`
}

var groups = []kong.Group{
	{Key: "daemon", Title: "The daemon:"},
	{Key: "jobs", Title: "Files and jobs of a running daemon:"},
	{Key: "builds", Title: "Builds and parts:"},
	{Key: "printers", Title: "Printers of a running daemon:"},
	{Key: "house", Title: "The house:"},
	{Key: "files", Title: "Without a daemon:"},
	{Key: "install", Title: "Setting up:"},
}

func main() { os.Exit(execute(os.Args[1:], os.Stdout, os.Stderr)) }

// execute is main for one command line; it returns the exit code.
func execute(args []string, stdout, stderr io.Writer) (code int) {
	var p program
	exited := false
	parser, err := kong.New(&p,
		kong.Name("undercroft"),
		kong.Description("Runs a small fleet of desktop FFF 3D printers headless. It is not a safety device: keep firmware protection on, a smoke alarm near, and the plug within reach."),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}),
		kong.ExplicitGroups(groups),
		kong.Vars{"version": version(), "faults_help": sim.FaultsHelp},
		kong.Writers(stdout, stderr),
		kong.Exit(func(c int) { exited, code = true, c }),
	)
	if err != nil {
		fmt.Fprintf(stderr, "undercroft: %v\n", err)
		return exitInternal
	}
	kongcompletion.Register(parser) // answers and ends when a shell asks
	kctx, err := parser.Parse(args)
	if exited {
		return code
	}
	if err != nil {
		var e *exitError
		if errors.As(err, &e) {
			fmt.Fprintf(stderr, "undercroft: %v\n", err)
			return e.code
		}
		fmt.Fprintf(stderr, "undercroft: %v\nTry 'undercroft --help', or 'undercroft COMMAND --help'.\n", err)
		return exitUsage
	}
	kctx.Bind(coolDirect(coolPorts))
	err = kctx.Run(kctx)
	if err != nil && !alreadySaid(err) && !errors.Is(err, context.Canceled) {
		fmt.Fprintf(stderr, "undercroft: %v\n", err)
	}
	return exitCode(err)
}

// version is what the Go tool recorded of this build.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	revision, changed := "", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			revision = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				changed = ", changed since"
			}
		}
	}
	if revision == "" {
		return info.Main.Version
	}
	return fmt.Sprintf("%s (%.12s%s)", info.Main.Version, revision, changed)
}
