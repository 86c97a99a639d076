package main

import (
	"net/url"
	"strings"

	"undercroft/web"
)

// callCmd is about the ways on which people are called.
type callCmd struct {
	List callListCmd `cmd:"" default:"1" help:"List the ways on which people are called, and how each does."`
	Test callTestCmd `cmd:"" help:"Send a test, and say what became of it."`
}

// callListCmd lists them.
type callListCmd struct{ clientFlags }

// Run prints one line each.
func (k *callListCmd) Run(c *client) error {
	var list []web.CallChannel
	if err := c.get("/api/calls", &list); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(list)
	}
	t := newTable(c.out, "NAME", "TO", "FOR", "QUIET", "LAST", "STATE")
	for _, ch := range list {
		to := ch.To
		if ch.Where != "" {
			to += " " + ch.Where
		}
		last, state := "-", "well"
		if ch.LastAt != nil {
			last = ch.LastAt.Local().Format("2006-01-02 15:04")
		}
		if ch.Trouble != "" {
			state = ch.Trouble
		}
		t.row(ch.Name, to, strings.Join(ch.For, " "), ch.Quiet, last, state)
	}
	return t.end()
}

// callTestCmd tests one way.
type callTestCmd struct {
	clientFlags
	Name string `arg:"" help:"Which way: a name of 'undercroft call'."`
}

// Run waits for what becomes of it.
func (k *callTestCmd) Run(c *client) error {
	if err := c.post("/api/calls/"+url.PathEscape(k.Name)+"/test", nil, nil); err != nil {
		return err
	}
	return c.say("The test of %s was taken. Look whether it came.", k.Name)
}
