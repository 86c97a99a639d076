package main

import (
	"encoding/json"
	"fmt"
	"strings"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/doctor"
)

// doctorCmd examines the installation.
type doctorCmd struct {
	Config string `short:"c" help:"The configuration. Left out: where serve looks for it." placeholder:"FILE"`
	All    bool   `help:"Also say what is fine."`
	JSON   bool   `name:"json" help:"Print JSON, what is fine included."`
}

// Run prints the findings; the exit code is 5 when one is a problem. It opens no
// port and changes nothing.
func (k *doctorCmd) Run(kctx *kong.Context) error {
	list := doctor.Judge(doctorFacts(k.Config))
	problems := 0
	for _, f := range list {
		if f.Level == doctor.Problem {
			problems++
		}
	}
	if k.JSON {
		e := json.NewEncoder(kctx.Stdout)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		if err := e.Encode(list); err != nil {
			return err
		}
	} else {
		for _, f := range list {
			k.print(kctx, f)
		}
	}
	switch {
	case problems > 0:
		return exitf(exitNotNow, "%s to mend", count(problems, "problem", "problems"))
	case k.JSON:
		return nil
	case doctor.Worst(list) == doctor.Warning:
		_, err := fmt.Fprintln(kctx.Stdout, "It will work; see the warnings.")
		return err
	}
	_, err := fmt.Fprintln(kctx.Stdout, "Nothing is wrong that could be seen from here. That says nothing about the printers' wiring, heaters or firmware.")
	return err
}

func (k *doctorCmd) print(kctx *kong.Context, f doctor.Finding) {
	if f.Level == doctor.Fine && !k.All {
		return
	}
	lines := func(s string) string { return strings.ReplaceAll(printable(s), "\n", "\n    ") }
	fmt.Fprintf(kctx.Stdout, "%s, %s: %s\n", strings.ToUpper(string(f.Level)), f.Subject, lines(f.What))
	if f.Why != "" {
		fmt.Fprintf(kctx.Stdout, "    why it matters: %s\n", lines(f.Why))
	}
	if f.Mend != "" {
		fmt.Fprintf(kctx.Stdout, "    to mend it: %s\n", lines(f.Mend))
	}
}

// printable is plain for a text of several lines.
func printable(s string) string {
	parts := strings.Split(s, "\n")
	for i, p := range parts {
		parts[i] = plain(p)
	}
	return strings.Join(parts, "\n")
}
