package main

import (
	"fmt"
	"io"
	"runtime/debug"
	"strings"

	"github.com/alecthomas/kong"

	"undercroft/cmd/undercroft/config"
)

// manualCmd prints the manual pages, made from what --help and serve --example
// print.
type manualCmd struct {
	Page string `arg:"" optional:"" enum:"undercroft,undercroft.toml" default:"undercroft" help:"Which page: undercroft (the commands) or undercroft.toml (the configuration)."`
}

// Help is the longer text of --help.
func (k *manualCmd) Help() string {
	return "Prints roff for man(1). To read it here: undercroft manual | man -l -"
}

// Run prints one page.
func (k *manualCmd) Run(kctx *kong.Context) error {
	page := commandPage(kctx.Model)
	if k.Page == "undercroft.toml" {
		page = configPage()
	}
	_, err := io.WriteString(kctx.Stdout, page)
	return err
}

// commandPage is undercroft(1).
func commandPage(app *kong.Application) string {
	b := &roff{}
	b.title("undercroft", 1)
	b.section("NAME")
	b.text("undercroft - a headless job server for a small fleet of desktop FFF 3D printers")
	b.section("SYNOPSIS")
	b.text("undercroft COMMAND [OPTIONS]")
	b.section("DESCRIPTION")
	b.text(app.Help)
	for _, g := range groups {
		b.section(strings.ToUpper(strings.TrimSuffix(g.Title, ":")))
		for _, node := range app.Leaves(true) {
			if groupOf(node) == g.Key {
				b.command(node)
			}
		}
	}
	b.section("FILES")
	b.text(strings.Join(configPlaces, ", else ") + ": the configuration, see undercroft.toml(5).")
	b.section("EXIT STATUS")
	for code, means := range exitMeans {
		b.item(fmt.Sprint(code), means)
	}
	b.section("CAUTIONS")
	b.verbatim(cautions)
	b.section("SEE ALSO")
	b.text("undercroft.toml(5)")
	return b.String()
}

// configPage is undercroft.toml(5): the commented example, which explains each
// key where it stands.
func configPage() string {
	b := &roff{}
	b.title("undercroft.toml", 5)
	b.section("NAME")
	b.text("undercroft.toml - the configuration of undercroft(1)")
	b.section("DESCRIPTION")
	b.text("One TOML file for what does not change from day to day. It is read strictly: an unknown key, a wrong unit or a wrong type is an error with its line, its column and what was meant. This is a commented example.")
	b.verbatim(config.Example())
	b.section("SEE ALSO")
	b.text("undercroft(1)")
	return b.String()
}

// groupOf is the key of the group that a command stands in, its own or that of
// the command above it.
func groupOf(node *kong.Node) string {
	for n := node; n != nil; n = n.Parent {
		if n.Group != nil {
			return n.Group.Key
		}
	}
	return ""
}

// roff is a manual page as it grows; man(7) says what its requests mean.
type roff struct{ strings.Builder }

// escape keeps roff from reading text as requests.
func (b *roff) escape(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

func (b *roff) title(name string, section int) {
	fmt.Fprintf(b, ".TH %q %d %q %q\n", strings.ToUpper(name), section, buildDate(), "undercroft")
}

func (b *roff) section(name string) { fmt.Fprintf(b, ".SH %q\n", name) }

func (b *roff) text(s string) { b.WriteString(b.escape(s) + "\n.PP\n") }

func (b *roff) item(name, means string) {
	fmt.Fprintf(b, ".TP\n.B %s\n%s\n", b.escape(name), b.escape(means))
}

func (b *roff) verbatim(s string) {
	b.WriteString(".PP\n.nf\n")
	for line := range strings.Lines(s) {
		b.WriteString(b.escape(line))
	}
	b.WriteString(".fi\n")
}

func (b *roff) command(node *kong.Node) {
	fmt.Fprintf(b, ".SS %q\n", strings.TrimPrefix(node.FullPath(), "undercroft "))
	b.text(node.Help)
	if node.Detail != "" {
		b.text(node.Detail)
	}
	for _, p := range node.Positional {
		b.item(p.Summary(), p.Help)
	}
	for _, f := range node.Flags {
		b.item(f.String(), f.Help)
	}
}

// buildDate is the day of the commit that was built, empty when unknown.
func buildDate() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.time" {
				return s.Value[:min(10, len(s.Value))]
			}
		}
	}
	return ""
}
