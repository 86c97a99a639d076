package web

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"
)

// titles is a House of which only the title changes.
type titles struct {
	House
	mu      sync.Mutex
	title   string
	changed chan struct{}
}

func (h *titles) View(context.Context) (View, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return View{Title: h.title}, nil
}

func (h *titles) Subscribe() (<-chan struct{}, func()) { return h.changed, func() {} }

func (h *titles) set(title string) {
	h.mu.Lock()
	h.title = title
	h.mu.Unlock()
	select {
	case h.changed <- struct{}{}:
	default:
	}
}

// A client that takes nothing in is cut when its queue is full; the others get
// every change, and the hub goes on.
func TestHubCutsTheSlow(t *testing.T) {
	house := &titles{changed: make(chan struct{}, 1)}
	h := newHub(house, slog.New(slog.DiscardHandler), time.Millisecond, time.Hour, 5)
	defer h.close()
	slow, quick := h.join(), h.join()
	<-quick.out // its snapshot
	for i := range 3 * watcherBacklog {
		house.set(fmt.Sprint("heron ", i))
		select {
		case <-quick.out:
		case <-quick.gone:
			t.Fatal("the quick client was cut")
		case <-time.After(5 * time.Second):
			t.Fatal("the quick client waits for the slow one")
		}
	}
	select {
	case <-slow.gone:
	default:
		t.Fatal("the slow client was not cut")
	}
	if slow.why == "" || len(slow.out) != watcherBacklog {
		t.Errorf("cut with %q, %d messages behind", slow.why, len(slow.out))
	}
	h.leave(slow)
	h.leave(quick)
	if h.count() != 0 || h.stop != nil {
		t.Error("the hub works on for nobody")
	}
	if again := h.join(); again == nil {
		t.Error("nobody can come back")
	} else {
		<-again.out
		h.leave(again)
	}
}

// In silence, a client hears that the line is alive.
func TestHubStill(t *testing.T) {
	h := newHub(&titles{changed: make(chan struct{}, 1)}, slog.New(slog.DiscardHandler), time.Millisecond, 20*time.Millisecond, 5)
	defer h.close()
	w := h.join()
	<-w.out
	for range 2 {
		select {
		case m := <-w.out:
			if string(m) != `{"type":"still","seq":1}` {
				t.Errorf("got %s", m)
			}
		case <-time.After(5 * time.Second):
			t.Fatal("nothing was heard")
		}
	}
	h.leave(w)
}

// Clients come and go from all sides at once.
func TestHubManyClients(t *testing.T) {
	house := &titles{changed: make(chan struct{}, 1)}
	h := newHub(house, slog.New(slog.DiscardHandler), time.Millisecond, time.Hour, 8)
	var all sync.WaitGroup
	for range 16 {
		all.Go(func() {
			for range 50 {
				w := h.join()
				if w == nil {
					continue
				}
				select {
				case <-w.out:
				case <-time.After(5 * time.Second):
					t.Error("no snapshot came")
				}
				h.leave(w)
			}
		})
	}
	for i := range 100 {
		house.set(fmt.Sprint(i))
	}
	all.Wait()
	h.close()
	if h.join() != nil {
		t.Error("a closed hub took a client in")
	}
}

func BenchmarkHubChange(b *testing.B) {
	for _, clients := range []int{1, 300} {
		b.Run(fmt.Sprint(clients, "-clients"), func(b *testing.B) {
			house := &titles{changed: make(chan struct{}, 1)}
			h := newHub(house, slog.New(slog.DiscardHandler), time.Nanosecond, time.Hour, clients)
			defer h.close()
			var all []*watcher
			for range clients {
				w := h.join()
				<-w.out
				all = append(all, w)
			}
			for i := 0; b.Loop(); i++ {
				house.set(fmt.Sprint(i))
				for _, w := range all {
					<-w.out
				}
			}
			for _, w := range all {
				h.leave(w)
			}
		})
	}
}
