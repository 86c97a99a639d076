package web

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"undercroft/web/door"
)

// notedBody is the most of a request's body that goes into the record.
const notedBody = 2 << 10

// noted writes into the log and the record who changed what, and with which
// answer. What is only read is not written down.
func noted(log *slog.Logger, audit *door.Audit, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		began := time.Now()
		n := &notedWriter{ResponseWriter: w, status: http.StatusOK}
		ctx, caller := door.Noting(r.Context())
		r = r.WithContext(ctx)
		var body bytes.Buffer
		// What is said at the door is a password.
		if r.Header.Get("Content-Type") == "application/json" && r.URL.Path != door.InPath {
			r.Body = readNoted{r.Body, &body}
		}
		next.ServeHTTP(n, r)
		log.Info("asked for a change", "who", caller.Name, "from", r.RemoteAddr, "method", r.Method, "path", r.URL.Path, "status", n.status, "took", time.Since(began).Round(time.Millisecond))
		if audit == nil {
			return
		}
		e := door.Entry{At: began.UTC(), Who: caller.Name, How: caller.How, From: r.RemoteAddr, Method: r.Method, Path: clip(r.URL.RequestURI(), 500), Status: n.status}
		if body.Len() < notedBody && json.Valid(body.Bytes()) {
			e.Body = body.Bytes()
		}
		if err := audit.Add(e); err != nil {
			log.Error("the record of who did what cannot be written", "err", err)
		}
	})
}

// readNoted keeps the beginning of what is read.
type readNoted struct {
	io.ReadCloser
	kept *bytes.Buffer
}

func (r readNoted) Read(p []byte) (int, error) {
	n, err := r.ReadCloser.Read(p)
	r.kept.Write(p[:min(n, notedBody-r.kept.Len())])
	return n, err
}

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n], "")
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
