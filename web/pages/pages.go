// Package pages holds what a browser is given: one page and the log-in form,
// in plain HTML, CSS and modules, with no build step and nothing from outside.
package pages

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

//go:embed static index.html login.html
var files embed.FS

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

// Handler serves the page at / and the assets. Everything is held in memory and
// revalidated by ETag, so that a new daemon is never seen through an old page.
// To whom loggedIn tells that they came by the form, the page offers to leave
// again.
func Handler(loggedIn func(*http.Request) bool) http.Handler {
	index := load("index.html")
	withDoor := made("index.html", bytes.Replace(index.body, []byte("<body>"), []byte("<body data-door>"), 1))
	assets := map[string]asset{"/": index}
	err := fs.WalkDir(files, "static", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			assets["/"+name] = load(name)
		}
		return err
	})
	if err != nil {
		panic(err) // embedded: cannot fail on a running system
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a, ok := assets[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		if r.URL.Path == "/" && loggedIn(r) {
			a = withDoor
		}
		h := w.Header()
		h.Set("Content-Type", a.kind)
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", a.tag)
		if r.Header.Get("If-None-Match") == a.tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		_, _ = w.Write(a.body)
	})
}

func load(name string) asset {
	body, err := files.ReadFile(name)
	if err != nil {
		panic(err) // embedded
	}
	return made(name, body)
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

var login = template.Must(template.ParseFS(files, "login.html"))

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
