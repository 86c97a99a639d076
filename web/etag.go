package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strings"
)

// etagMost bounds an answer that is held back to be summed up; longer ones go
// out without a tag.
const etagMost = 8 << 20

// tagged gives answers of the API an entity tag, and says 304 to whoever has
// them already (RFC 9110, section 13.1.2). A browser asks every time.
func tagged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet || !strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/api/live" {
			next.ServeHTTP(w, r)
			return
		}
		t := &tagWriter{ResponseWriter: w}
		next.ServeHTTP(t, r)
		t.end(r.Header.Get("If-None-Match"))
	})
}

type tagWriter struct {
	http.ResponseWriter
	status int
	held   bytes.Buffer
	passes bool // no tag: straight on
}

// WriteHeader decides whether the answer is one to be tagged.
func (t *tagWriter) WriteHeader(status int) {
	if t.status != 0 {
		return
	}
	t.status = status
	if status != http.StatusOK || !strings.HasPrefix(t.Header().Get("Content-Type"), "application/json") {
		t.passes = true
		t.ResponseWriter.WriteHeader(status)
	}
}

// Write holds back what is to be tagged.
func (t *tagWriter) Write(p []byte) (int, error) {
	if t.status == 0 {
		t.WriteHeader(http.StatusOK)
	}
	if !t.passes && t.held.Len()+len(p) > etagMost {
		t.passes = true
		t.ResponseWriter.WriteHeader(t.status)
		if _, err := t.ResponseWriter.Write(t.held.Bytes()); err != nil {
			return 0, err
		}
		t.held = bytes.Buffer{}
	}
	if t.passes {
		return t.ResponseWriter.Write(p)
	}
	return t.held.Write(p)
}

// Unwrap lets deadlines be set through the wrapper.
func (t *tagWriter) Unwrap() http.ResponseWriter { return t.ResponseWriter }

func (t *tagWriter) end(known string) {
	if t.passes || t.status == 0 {
		return
	}
	sum := sha256.Sum256(t.held.Bytes())
	tag := `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`
	t.Header().Set("ETag", tag)
	t.Header().Set("Cache-Control", "private, no-cache")
	for have := range strings.SplitSeq(known, ",") {
		if have = strings.TrimSpace(have); have == "*" || strings.TrimPrefix(have, "W/") == tag {
			t.Header().Del("Content-Type")
			t.ResponseWriter.WriteHeader(http.StatusNotModified)
			return
		}
	}
	t.ResponseWriter.WriteHeader(t.status)
	_, _ = t.ResponseWriter.Write(t.held.Bytes())
}
