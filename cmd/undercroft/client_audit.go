package main

import (
	"fmt"
	"strings"

	"undercroft/web/door"
)

// auditCmd shows who asked for which change.
type auditCmd struct {
	clientFlags
	Last int `default:"30" placeholder:"N" help:"How many, the newest."`
}

// Run prints them with the newest last, as one reads.
func (k *auditCmd) Run(c *client) error {
	var entries []door.Entry
	if err := c.get(fmt.Sprintf("/api/audit?limit=%d", k.Last), &entries); err != nil {
		return err
	}
	if c.json {
		return c.printJSON(entries)
	}
	t := newTable(c.out, "AT", "WHO", "FROM", "WHAT", "ANSWER")
	for i := len(entries) - 1; i >= 0; i-- {
		e := entries[i]
		what := strings.TrimPrefix(e.Path, "/api/")
		if len(e.Body) > 0 {
			what += " " + string(e.Body)
		}
		who := e.Who
		if who == "" {
			who = "nobody known"
		}
		t.row(e.At.Local().Format("2006-01-02 15:04:05"), who, e.From, what, fmt.Sprint(e.Status))
	}
	return t.end()
}
