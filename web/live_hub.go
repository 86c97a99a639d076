package web

import (
	"context"
	"encoding/json"
	"log/slog"
	"sync"
	"time"
)

// hub looks at the House for all watching clients at once: one View, one
// comparison and one encoding a tick, however many watch. It works only while
// somebody does.
type hub struct {
	house House
	log   *slog.Logger
	tick  time.Duration // shortest time between two changes
	still time.Duration // between two looks whether the line was silent
	limit int           // clients

	mu      sync.Mutex
	watched map[*watcher]struct{}
	joins   chan *watcher      // of the running loop
	stop    context.CancelFunc // ends it; nil while nobody watches
	closed  bool
	empty   chan struct{} // closed when the last client has left a closed hub
	loops   sync.WaitGroup
}

// watcher is one client as the hub sees it: a bounded queue of encoded messages.
type watcher struct {
	out  chan []byte
	gone chan struct{} // closed by the hub: cut this client
	once sync.Once
	why  string // why it was cut; written before gone is closed
}

func (w *watcher) cut(why string) {
	w.once.Do(func() {
		w.why = why
		close(w.gone)
	})
}

// watcherBacklog is how many messages a client may be behind: at five a second,
// three seconds. A phone on a bad line reconnects; nobody waits for it.
const watcherBacklog = 16

func newHub(house House, log *slog.Logger, tick, still time.Duration, limit int) *hub {
	return &hub{house: house, log: log, tick: tick, still: still, limit: limit,
		watched: map[*watcher]struct{}{}, empty: make(chan struct{})}
}

// join takes a client in; nil when the house is full or closing.
func (h *hub) join() *watcher {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || len(h.watched) >= h.limit {
		return nil
	}
	w := &watcher{out: make(chan []byte, watcherBacklog), gone: make(chan struct{})}
	h.watched[w] = struct{}{}
	if h.stop == nil {
		ctx, stop := context.WithCancel(context.Background())
		h.stop = stop
		joins := make(chan *watcher, h.limit)
		h.joins = joins
		h.loops.Go(func() { h.loop(ctx, joins) })
	}
	select {
	case h.joins <- w:
	default: // clients come and go faster than the House is read
		delete(h.watched, w)
		return nil
	}
	return w
}

func (h *hub) leave(w *watcher) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.watched, w)
	if len(h.watched) > 0 {
		return
	}
	if h.stop != nil {
		h.stop()
		h.stop = nil
	}
	if h.closed {
		close(h.empty)
	}
}

// close cuts every client, ends the loop and waits for both; for clients that do
// not take their cut in, two seconds at most.
func (h *hub) close() {
	h.mu.Lock()
	if h.closed {
		h.mu.Unlock()
		return
	}
	h.closed = true
	if len(h.watched) == 0 {
		close(h.empty)
	}
	for w := range h.watched {
		w.cut("the daemon is shutting down")
	}
	if h.stop != nil {
		h.stop()
		h.stop = nil
	}
	h.mu.Unlock()
	h.loops.Wait()
	select {
	case <-h.empty:
	case <-time.After(2 * time.Second):
	}
}

func (h *hub) isClosed() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.closed
}

func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.watched)
}

// loop runs from the first client's arrival to the last one's departure.
func (h *hub) loop(ctx context.Context, joins <-chan *watcher) {
	changed, end := h.house.Subscribe()
	defer end()
	tick := time.NewTimer(h.tick)
	defer tick.Stop()
	still := time.NewTicker(h.still)
	defer still.Stop()

	var (
		seq     uint64
		known   picture
		in      = map[*watcher]struct{}{} // those that got their snapshot
		resting = true                    // the last tick is over: a change may go out at once
		dirty   bool
		sentAt  time.Time
	)
	// look brings all clients up to date and hands newcomers their snapshot.
	look := func(newcomers []*watcher) {
		v, now, err := h.view(ctx)
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			h.log.Error("the live view cannot be read", "err", err)
			for _, w := range newcomers {
				w.cut("the daemon cannot read its state; its log says why")
			}
			dirty, resting = true, false // look again, not at once
			tick.Reset(h.still)
			return
		}
		if m, ok := changeSince(known, now, v); ok {
			seq++
			known = now
			m.Seq = seq
			if len(in) > 0 {
				h.send(in, m)
				sentAt = time.Now()
			}
		}
		if len(newcomers) > 0 {
			fresh := make(map[*watcher]struct{}, len(newcomers))
			for _, w := range newcomers {
				fresh[w] = struct{}{}
				in[w] = struct{}{}
			}
			h.send(fresh, snapshotMessage{"snapshot", seq, v})
		}
	}
	for {
		select {
		case <-ctx.Done():
			return
		case w := <-joins:
			newcomers := []*watcher{w}
			for more := true; more; {
				select {
				case w := <-joins:
					newcomers = append(newcomers, w)
				default:
					more = false
				}
			}
			look(newcomers)
		case <-changed:
			if !resting {
				dirty = true
				continue
			}
			resting = false
			tick.Reset(h.tick)
			look(nil)
		case <-tick.C:
			resting = true
			if dirty {
				dirty, resting = false, false
				tick.Reset(h.tick)
				look(nil)
			}
		case <-still.C:
			h.sweep(in)
			if time.Since(sentAt) >= h.still/2 && len(in) > 0 {
				h.send(in, stillMessage{"still", seq})
			}
		}
	}
}

// view reads the House with a deadline: a stalled store must not hold the hub.
func (h *hub) view(ctx context.Context) (View, picture, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	v, err := h.house.View(ctx)
	if err != nil {
		return View{}, picture{}, err
	}
	v = tidy(v)
	p, err := pictureOf(v)
	return v, p, err
}

// send encodes m once and queues it for each client; one that is too far behind
// is cut.
func (h *hub) send(to map[*watcher]struct{}, m any) {
	frame, err := json.Marshal(m)
	if err != nil {
		h.log.Error("a live message cannot be encoded", "err", err)
		return
	}
	for w := range to {
		select {
		case <-w.gone:
			delete(to, w)
		case w.out <- frame:
		default:
			w.cut("this client is too slow; connect again")
			delete(to, w)
		}
	}
}

// sweep forgets clients that left by themselves.
func (h *hub) sweep(in map[*watcher]struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for w := range in {
		if _, here := h.watched[w]; !here {
			delete(in, w)
		}
	}
}
