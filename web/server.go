package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"undercroft/web/door"
	"undercroft/web/pages"
)

// Options are all that the web side is made of.
type Options struct {
	House   House
	Metrics http.Handler // /metrics
	Health  func() error // nil error: the daemon does its work
	Log     *slog.Logger
	Version string

	Listen   string        // host:port; loopback while nobody is written down; empty: 127.0.0.1:8017
	Book     *door.Book    // who may come in; nil: this computer only, without a credential
	HouseKey door.HouseKey // lets the commands on this computer in
	Hosts    []string      // further names of this house, against rebinding
	TLS      *tls.Config   // nil: plain HTTP
	Audit    *door.Audit   // who did what; nil: the log only

	MaxFileBytes int64 // of one upload; 0: 2 GiB
	MaxWatchers  int   // live connections; 0: 320

	patience time.Duration // with a silent upload; 0: uploadPatience
}

// Server answers for one House.
type Server struct {
	door    *door.Door
	o       Options
	hub     *hub
	handler http.Handler
}

// DefaultListen is where the daemon answers unless it is told otherwise.
const DefaultListen = "127.0.0.1:8017"

// New checks the options; it opens nothing yet.
func New(o Options) (*Server, error) {
	if o.House == nil || o.Health == nil || o.Metrics == nil {
		return nil, errors.New("web: House, Health and Metrics must be set")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Listen == "" {
		o.Listen = DefaultListen
	}
	if o.MaxFileBytes <= 0 {
		o.MaxFileBytes = 2 << 30
	}
	if o.MaxWatchers <= 0 {
		o.MaxWatchers = 320
	}
	if o.patience == 0 {
		o.patience = uploadPatience
	}
	d, err := door.New(door.Options{
		Listen: o.Listen, Book: o.Book, HouseKey: o.HouseKey, Hosts: o.Hosts, Log: o.Log,
		Deny: func(w http.ResponseWriter, _ *http.Request, status int, text string) {
			problem(status, text).write(w)
		},
		Ask:  pages.LogIn,
		Open: func(path string) bool { return path == "/healthz" || pages.IsOpen(path) },
	})
	if err != nil {
		return nil, err
	}
	s := &Server{o: o, door: d, hub: newHub(o.House, o.Log, 200*time.Millisecond, 10*time.Second, o.MaxWatchers)}

	mux := http.NewServeMux()
	newAPI(mux, o)
	mux.Handle("GET /api/live", newLive(s.hub))
	mux.Handle("GET /metrics", o.Metrics)
	mux.HandleFunc("GET /healthz", s.health)
	pages.Register(mux, func(r *http.Request) pages.Who {
		c := door.From(r.Context())
		return pages.Who{Session: c.How == "session", Watch: c.Role == door.Watch}
	})
	s.handler = guard(o.Log, noted(o.Log, o.Audit, d.Wrap(newOnce(time.Now, o.MaxFileBytes, o.patience).wrap(tagged(plainProblems(mux))))))
	return s, nil
}

// Handler is everything, behind the door.
func (s *Server) Handler() http.Handler { return s.handler }

// SetHosts changes the further names under which the house may be asked for.
func (s *Server) SetHosts(hosts []string) { s.door.SetHosts(hosts) }

// Watchers counts the live connections.
func (s *Server) Watchers() int { return s.hub.count() }

func (s *Server) health(w http.ResponseWriter, _ *http.Request) {
	if err := s.o.Health(); err != nil {
		// Anybody may ask; what is wrong is for the log.
		s.o.Log.Error("not healthy", "err", err)
		problem(http.StatusServiceUnavailable, "The daemon does not do its work; its log says why.").write(w)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write([]byte("well\n"))
}

// Listen opens the address, so that the caller can tell a taken port from a
// later failure and knows the port when it asked for 0.
func (s *Server) Listen() (net.Listener, error) {
	l, err := net.Listen("tcp", s.o.Listen)
	if err != nil {
		return nil, fmt.Errorf("cannot listen on %s (is another daemon running?): %w", s.o.Listen, err)
	}
	return l, nil
}

// Run listens and serves until ctx ends, then lets running requests finish for
// a few seconds and tells live clients that the house closes.
func (s *Server) Run(ctx context.Context) error {
	l, err := s.Listen()
	if err != nil {
		return err
	}
	return s.Serve(ctx, l)
}

// Serve is Run on a listener that is open already; it closes it.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 10 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(s.o.Log.Handler(), slog.LevelDebug),
		// Reading and writing are bounded by request: see guard and patientBody.
	}
	failed := make(chan error, 1)
	l = &boundedListener{Listener: l, places: make(chan struct{}, s.o.MaxWatchers+200)}
	if s.o.TLS != nil {
		l = tls.NewListener(l, s.o.TLS)
	}
	go func() { failed <- srv.Serve(l) }()
	var err error
	select {
	case err = <-failed:
	case <-ctx.Done():
	}
	s.hub.close() // hijacked connections are none of Shutdown's business
	last, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if e := srv.Shutdown(last); e != nil {
		srv.Close()
	}
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("the web server ended: %w", err)
	}
	return nil
}
