// Package pages holds what a browser is given: the pages of the house inside one
// shell, and the log-in form, in plain HTML, CSS and modules, with no build step
// and nothing from outside.
package pages

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

// Assets is the path below which styles, modules and marks lie.
const Assets = "/static/"

// loginNeeds is what the log-in page is made of: anybody may read it.
var loginNeeds = []string{Assets + "style.css", Assets + "mark.svg"}

// IsOpen tells which assets need no credential.
func IsOpen(path string) bool {
	for _, open := range loginNeeds {
		if path == open {
			return true
		}
	}
	return false
}

// asset is one embedded file, ready to serve.
type asset struct {
	body []byte
	kind string // media type
	tag  string // ETag
}

// Register serves every page at its own address, and the assets. Everything is
// held in memory and revalidated by ETag, so that a new daemon is never seen
// through an old page.
func Register(mux *http.ServeMux, who func(*http.Request) Who) {
	for _, p := range table {
		made := map[Who]asset{}
		for _, session := range []bool{false, true} {
			for _, watch := range []bool{false, true} {
				w := Who{session, watch}
				made[w] = p.made(w)
			}
		}
		mux.HandleFunc("GET "+p.path, func(w http.ResponseWriter, r *http.Request) { made[who(r)].serve(w, r) })
	}
	assets := map[string]asset{}
	err := fs.WalkDir(files, "static", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			assets["/"+name] = made(name, read(name))
		}
		return err
	})
	if err != nil {
		panic(err) // embedded: cannot fail on a running system
	}
	mux.HandleFunc("GET "+Assets, func(w http.ResponseWriter, r *http.Request) {
		a, ok := assets[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		a.serve(w, r)
	})
}

func (a asset) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.tag)
	if r.Header.Get("If-None-Match") == a.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	_, _ = w.Write(a.body)
}

func read(name string) []byte {
	body, err := files.ReadFile(name)
	if err != nil {
		panic(err) // embedded
	}
	return body
}

func made(name string, body []byte) asset {
	sum := sha256.Sum256(body)
	kind := mime.TypeByExtension(path.Ext(name))
	// The system's own table may call modules something else.
	if strings.HasSuffix(name, ".js") {
		kind = "text/javascript; charset=utf-8"
	}
	return asset{body, kind, `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`}
}

// LogIn writes the form that asks for name and password.
func LogIn(w http.ResponseWriter, _ *http.Request, wrong string) {
	var body bytes.Buffer
	if err := login.Execute(&body, wrong); err != nil {
		http.Error(w, "The log-in page cannot be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if wrong != "" {
		w.WriteHeader(http.StatusForbidden)
	}
	_, _ = w.Write(body.Bytes())
}
