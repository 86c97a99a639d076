package web

import (
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"sync"
	"time"
)

// csp lets a page use what this server gives, and nothing from anywhere else;
// no script or style in the markup.
const csp = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// requestTime bounds an ordinary request, its answer included. An upload moves
// its own deadline, and a live connection drops it.
const requestTime = changeTime + 10*time.Second

// guard is the outermost handler: headers for every answer, no change from a
// foreign page, no panic that reaches the line.
func guard(log *slog.Logger, next http.Handler) http.Handler {
	foreign := http.NewCrossOriginProtection()
	foreign.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		problem(http.StatusForbidden, "This change was asked for by a page that is not ours; it was not made.").write(w)
	}))
	next = foreign.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", csp)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")

		rc := http.NewResponseController(w)
		end := time.Now().Add(requestTime)
		// Recorders in tests have no deadlines; real connections do.
		_ = rc.SetReadDeadline(end)
		_ = rc.SetWriteDeadline(end)

		defer func() {
			cause := recover()
			if cause == nil {
				return
			}
			if cause == http.ErrAbortHandler {
				panic(cause)
			}
			log.Error("a handler broke", "path", r.URL.Path, "panic", cause, "stack", string(debug.Stack()))
			problem(http.StatusInternalServerError, "Something in the daemon went wrong; its log says what.").write(w)
		}()
		next.ServeHTTP(w, r)
	})
}

// plainProblems turns the router's own 404 and 405, which are plain text, into
// problems.
func plainProblems(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h, pattern := mux.Handler(r)
		if pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		probe := &statusOnly{header: http.Header{}}
		h.ServeHTTP(probe, r)
		switch allow := probe.header.Get("Allow"); {
		case probe.status == http.StatusNotFound:
			problem(http.StatusNotFound, "There is nothing at "+r.URL.Path+".").write(w)
		case probe.status == http.StatusMethodNotAllowed:
			w.Header().Set("Allow", allow)
			problem(probe.status, "This address takes "+allow+" only.").write(w)
		default: // a redirect to the clean path
			mux.ServeHTTP(w, r)
		}
	})
}

// statusOnly finds out what the router would have answered.
type statusOnly struct {
	header http.Header
	status int
}

func (s *statusOnly) Header() http.Header         { return s.header }
func (s *statusOnly) Write(p []byte) (int, error) { return len(p), nil }
func (s *statusOnly) WriteHeader(status int)      { s.status = status }

// boundedListener holds the number of connections below the descriptors that
// serial ports need: further callers wait in the system's queue.
type boundedListener struct {
	net.Listener
	places chan struct{}
}

// Accept waits for a place first.
func (l *boundedListener) Accept() (net.Conn, error) {
	l.places <- struct{}{}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.places
		return nil, err
	}
	return &boundedConn{Conn: c, free: func() { <-l.places }}, nil
}

type boundedConn struct {
	net.Conn
	once sync.Once
	free func()
}

// Close gives the place back.
func (c *boundedConn) Close() error {
	defer c.once.Do(c.free)
	return c.Conn.Close()
}
