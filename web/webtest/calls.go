package webtest

import (
	"context"
	"fmt"
	"strings"
	"time"

	"undercroft/queue"
	"undercroft/web"
)

// CallChannels follows web.CallHouse: the pages, and a mail server that is down.
func (h *House) CallChannels(context.Context) ([]web.CallChannel, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return []web.CallChannel{
		{Name: "pages", To: "pages", For: []string{"alarm", "plate"}, Quiet: "none", Told: 3},
		{Name: "post", To: "mail", Where: "merel@example.org by mail.example.org:465", For: []string{"alarm"}, Quiet: "daily 23:00-07:00", Failed: 2, Waiting: 1, Trouble: "connection refused"},
	}, h.fail
}

// TestCall follows web.CallHouse; the test of "pages" is taken, and shown.
func (h *House) TestCall(_ context.Context, name string) error {
	end, err := h.begin("test-call %s", name)
	defer end()
	switch {
	case err != nil:
		return err
	case strings.EqualFold(name, "post"):
		return fmt.Errorf("the test of post was not taken: connection refused: %w", queue.ErrUnavailable)
	case !strings.EqualFold(name, "pages"):
		return fmt.Errorf("nobody is called by %q: %w", name, queue.ErrNotFound)
	}
	id := fmt.Sprintf("test/%d", len(h.calls))
	h.view.Calls.Recent = append([]web.Call{{ID: id, Kind: "test", At: h.view.At.Truncate(time.Second), Title: "A test of pages", Text: "If you read this, you will be called here.", Do: "Nothing."}}, h.view.Calls.Recent...)
	return nil
}
