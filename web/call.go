package web

import (
	"context"
	"time"
)

// CallHouse is what a House knows of calling people who are not looking.
type CallHouse interface {
	// CallChannels lists the ways on which people are called, and how each does.
	CallChannels(ctx context.Context) ([]CallChannel, error)
	// TestCall sends a test on one way and waits for what becomes of it. It wraps
	// queue.ErrUnavailable when the test could not be delivered.
	TestCall(ctx context.Context, name string) error
}

// Call tells somebody what waits for them, where, and what to do.
type Call struct {
	ID      string    `json:"id"`   // of this call; what comes twice has the same
	Kind    string    `json:"kind"` // plate, hands, away, mishap, alarm, reel, held, eyes, done, test
	At      time.Time `json:"at"`   // house time at which it was noticed
	Title   string    `json:"title"`
	Text    string    `json:"text"`
	Do      string    `json:"do"` // what the person is to do
	Printer string    `json:"printer,omitempty"`
	Part    string    `json:"part,omitempty"`
	JobID   int64     `json:"job_id,omitempty"`
	RunID   int64     `json:"run_id,omitempty"`
	Link    string    `json:"link,omitempty"` // to the page that shows it
}

// CallsView is what pages show of calls.
type CallsView struct {
	Recent   []Call   `json:"recent"`   // newest first; a page notifies of each id once
	Troubles []string `json:"troubles"` // ways on which nobody can be reached now, and why
}

// CallChannel is one way of calling people.
type CallChannel struct {
	Name    string     `json:"name"`
	To      string     `json:"to"`    // pages, mail, webhook
	Where   string     `json:"where"` // without secrets
	For     []string   `json:"for"`   // kinds of calls
	Quiet   string     `json:"quiet"` // hours in which calls wait; "none"
	Told    int64      `json:"told"`  // calls that were taken, since the daemon started
	Failed  int64      `json:"failed"`
	Waiting int        `json:"waiting"` // calls that are yet to be delivered
	LastAt  *time.Time `json:"last_at,omitempty"`
	Trouble string     `json:"trouble"` // why the last try failed; empty when it did not
}
