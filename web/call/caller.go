package call

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// Channel is one way of calling people.
type Channel struct {
	Name  string
	To    string // pages, mail, webhook
	Where string // for people, without secrets
	Rules
	Sender Sender
	Gap    time.Duration // least time between two deliveries
}

// Sender delivers calls in one go: all of them, or an error. What it is given
// may come twice when the daemon dies at the wrong instant; the ids tell.
type Sender interface {
	Send(ctx context.Context, calls []web.Call) error
}

// Pages is the sender of the channel whose calls the pages show: there is nothing
// to deliver, they are in the view.
type Pages struct{}

// Send has nothing to do.
func (Pages) Send(context.Context, []web.Call) error { return nil }

// PagesName is the channel of the pages.
const PagesName = "pages"

// Source is what calls are derived from.
type Source interface {
	View(ctx context.Context) (web.View, error)
	Builds(ctx context.Context) ([]web.Build, error)
	Subscribe() (<-chan struct{}, func())
}

// Options are all that a Caller is made of.
type Options struct {
	Source   Source
	Channels []Channel
	Path     string // of the file that remembers what was told
	Base     string // address of the pages, for links; without a slash at its end
	Told     func() // the pages have something new to show; may be nil
	Log      *slog.Logger
}

// Caller looks at the house and calls people. It never holds anybody up: it has
// its own goroutines, and everything that waits is bounded.
type Caller struct {
	o    Options
	wake map[string]chan struct{}

	mu      sync.Mutex
	book    *book
	house   time.Time // house time of the last look
	figures map[string]*web.CallChannel
	broken  string // why the book cannot be written

	good   int // pieces, when the builds were last asked for
	builds []web.Build
	asked  bool
}

// New reads what was told so far.
func New(o Options) (*Caller, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	b, err := readBook(o.Path)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(o.Channels, func(c Channel) bool { return c.To == PagesName }) {
		o.Channels = append(slices.Clone(o.Channels), Channel{Name: PagesName, To: PagesName, Sender: Pages{}})
	}
	c := &Caller{o: o, book: b, figures: map[string]*web.CallChannel{}, wake: map[string]chan struct{}{}}
	for i := range o.Channels {
		ch := &o.Channels[i]
		kinds := ch.For
		if len(kinds) == 0 {
			kinds = Kinds
		}
		quiet := ch.Quiet.String()
		if quiet == "" {
			quiet = "none"
		}
		c.figures[ch.Name] = &web.CallChannel{Name: ch.Name, To: ch.To, Where: ch.Where, For: kinds, Quiet: quiet}
		c.wake[ch.Name] = make(chan struct{}, 1)
	}
	return c, nil
}

const (
	lookGap  = 2 * time.Second  // least time between two looks
	lookMost = 20 * time.Second // quiet hours end without anything happening
	sendTime = time.Minute      // of one delivery
)

// Run works until ctx ends.
func (c *Caller) Run(ctx context.Context) error {
	changed, end := c.o.Source.Subscribe()
	defer end()
	var work sync.WaitGroup
	defer work.Wait()
	for i := range c.o.Channels {
		work.Go(func() { c.deliver(ctx, &c.o.Channels[i]) })
	}
	for {
		c.look(ctx)
		gap := time.NewTimer(lookGap)
		most := time.NewTimer(lookMost)
		select {
		case <-ctx.Done():
			gap.Stop()
			most.Stop()
			return ctx.Err()
		case <-gap.C:
		}
		select {
		case <-ctx.Done():
		case <-changed:
		case <-most.C:
		}
		most.Stop()
	}
}

// look takes in what there is to tell.
func (c *Caller) look(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	v, err := c.o.Source.View(ctx)
	if err == nil && (!c.asked || v.Tally.PiecesDone != c.good) {
		// Builds are read from the store: only when a piece has become good.
		if c.builds, err = c.o.Source.Builds(ctx); err == nil {
			c.asked, c.good = true, v.Tally.PiecesDone
		}
	}
	if err != nil {
		if ctx.Err() == nil {
			c.o.Log.Error("what people must be told of cannot be read", "err", err)
		}
		return
	}
	list := matters(&v, c.builds)
	for i := range list {
		list[i].Link = link(c.o.Base, &list[i].Call)
	}
	c.mu.Lock()
	c.house = v.At.In(zone(&v))
	if c.book.note(list, time.Now()) {
		c.save()
	}
	c.mu.Unlock()
	for _, w := range c.wake {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// save writes the book. The caller holds mu.
func (c *Caller) save() {
	err := c.book.write(c.o.Path)
	switch {
	case err == nil:
		c.broken = ""
	case c.broken == "":
		c.broken = "What was told cannot be written down; after a restart it will be told again."
		c.o.Log.Error("what was told to whom cannot be written down; after a restart it will be told again", "err", err)
	}
}

// deliver is the one goroutine of a channel.
func (c *Caller) deliver(ctx context.Context, ch *Channel) {
	retry := time.NewTimer(time.Hour)
	defer retry.Stop()
	for {
		next := c.round(ctx, ch)
		retry.Reset(next)
		select {
		case <-ctx.Done():
			return
		case <-c.wake[ch.Name]:
		case <-retry.C:
		}
	}
}

// round delivers what is due and says when to look again, at the latest.
func (c *Caller) round(ctx context.Context, ch *Channel) time.Duration {
	c.mu.Lock()
	if c.house.IsZero() { // nothing was looked at yet
		c.mu.Unlock()
		return time.Minute
	}
	list, waiting, next := c.book.due(ch.Name, &ch.Rules, c.house, time.Now())
	calls := make([]web.Call, len(list))
	for i, e := range list {
		calls[i] = e.Call
	}
	c.figures[ch.Name].Waiting = waiting
	c.mu.Unlock()
	if len(calls) == 0 {
		if next.IsZero() {
			return time.Minute
		}
		return max(time.Until(next), time.Second)
	}
	err := c.send(ctx, ch, calls)
	if ctx.Err() != nil && err != nil {
		return time.Minute // it will be told after the start
	}
	c.mu.Lock()
	now := time.Now()
	var later *laterError
	atLeast := time.Duration(0)
	if errors.As(err, &later) {
		atLeast = later.after
	}
	for _, e := range list {
		e.told(ch.Name, err == nil, now, atLeast)
	}
	c.result(ch, len(calls), err)
	c.figures[ch.Name].Waiting = waiting
	if err == nil {
		c.figures[ch.Name].Waiting -= len(calls)
	}
	c.save()
	c.mu.Unlock()
	if c.o.Told != nil {
		c.o.Told()
	}
	if err != nil {
		c.o.Log.Error("nobody could be called", "channel", ch.Name, "calls", len(calls), "err", err)
		return firstBackoff
	}
	for _, call := range calls {
		c.o.Log.Info("called", "channel", ch.Name, "kind", call.Kind, "title", call.Title)
	}
	if ch.Gap > 0 { // what comes in the meantime goes in one
		select {
		case <-ctx.Done():
		case <-time.After(ch.Gap):
		}
	}
	return time.Second
}

// send bounds a delivery, and keeps a sender's panic in its channel.
func (c *Caller) send(ctx context.Context, ch *Channel, calls []web.Call) (err error) {
	ctx, cancel := context.WithTimeout(ctx, sendTime)
	defer cancel()
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("the sender broke: %v", cause)
		}
	}()
	return ch.Sender.Send(ctx, calls)
}

// result counts what became of a try. The caller holds mu.
func (c *Caller) result(ch *Channel, n int, err error) {
	f := c.figures[ch.Name]
	if err != nil {
		f.Failed++
		f.Trouble = clean(err.Error(), 300)
		return
	}
	now := time.Now()
	f.Told += int64(n)
	f.LastAt, f.Trouble = &now, ""
}

// Channels copies how each channel does, in the configuration's order.
func (c *Caller) Channels() []web.CallChannel {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := make([]web.CallChannel, 0, len(c.o.Channels))
	for i := range c.o.Channels {
		out = append(out, *c.figures[c.o.Channels[i].Name])
	}
	return out
}

// View is what the pages show.
func (c *Caller) View() web.CallsView {
	c.mu.Lock()
	defer c.mu.Unlock()
	v := web.CallsView{Recent: []web.Call{}, Troubles: []string{}}
	for i := range c.o.Channels {
		ch := &c.o.Channels[i]
		if ch.To == PagesName {
			v.Recent = c.book.recent(ch.Name)
		}
		if t := c.figures[ch.Name].Trouble; t != "" {
			v.Troubles = append(v.Troubles, "Nobody is reached by "+ch.Name+": "+t)
		}
	}
	if c.broken != "" {
		v.Troubles = append(v.Troubles, c.broken)
	}
	return v
}

// Test sends a test on one channel and waits for what becomes of it.
func (c *Caller) Test(ctx context.Context, name string) error {
	i := slices.IndexFunc(c.o.Channels, func(ch Channel) bool { return strings.EqualFold(ch.Name, name) })
	if i < 0 {
		var names []string
		for i := range c.o.Channels {
			names = append(names, c.o.Channels[i].Name)
		}
		return fmt.Errorf("nobody is called by %q; there is %s: %w", name, strings.Join(names, ", "), queue.ErrNotFound)
	}
	ch := &c.o.Channels[i]
	now := time.Now()
	call := web.Call{
		ID: fmt.Sprintf("test/%d", now.UnixNano()), Kind: Test, At: now, Title: "A test of " + ch.Name,
		Text: "If you read this, you will be called here when a machine needs you.", Do: "Nothing.", Link: link(c.o.Base, &web.Call{}),
	}
	c.mu.Lock()
	if !c.house.IsZero() {
		call.At = c.house
	}
	c.mu.Unlock()
	err := c.send(ctx, ch, []web.Call{call})
	c.mu.Lock()
	c.result(ch, 1, err)
	if err == nil && ch.To == PagesName {
		e := &entry{Key: call.ID, Call: call, Over: now, Told: map[string]*state{ch.Name: {At: now}, everywhere: {At: now}}}
		if len(c.book.Entries) < maxEntries || c.book.drop() {
			c.book.Entries = append(c.book.Entries, e)
			c.save()
		}
	}
	c.mu.Unlock()
	if c.o.Told != nil {
		c.o.Told()
	}
	if err != nil {
		return fmt.Errorf("the test of %s was not taken: %s: %w", ch.Name, clean(err.Error(), 300), queue.ErrUnavailable)
	}
	return nil
}
