package web

import (
	"log/slog"
	"net/http"
	"time"
)

// noted writes into the log who changed what, and with which answer. What is
// only read is not written down.
func noted(log *slog.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		began := time.Now()
		n := &notedWriter{ResponseWriter: w, status: http.StatusOK}
		next.ServeHTTP(n, r)
		log.Info("asked for a change", "from", r.RemoteAddr, "method", r.Method, "path", r.URL.Path, "status", n.status, "took", time.Since(began).Round(time.Millisecond))
	})
}

type notedWriter struct {
	http.ResponseWriter
	status int
}

// WriteHeader remembers the status.
func (n *notedWriter) WriteHeader(status int) {
	n.status = status
	n.ResponseWriter.WriteHeader(status)
}

// Unwrap lets deadlines be set through the wrapper.
func (n *notedWriter) Unwrap() http.ResponseWriter { return n.ResponseWriter }
