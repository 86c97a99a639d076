package pages_test

import (
	"compress/gzip"
	"io"
	"io/fs"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"undercroft/web"
	"undercroft/web/pages"
	"undercroft/web/webtest"
)

// TestEveryPage opens each page on a narrow phone in the dark and on a desk in
// the light: nothing scrolls sideways, fingers hit what they mean to, axe-core
// finds nothing, and the browser has nothing to complain about.
func TestEveryPage(t *testing.T) {
	ts := serve(t, web.Options{House: webtest.New(evening())})
	for name, path := range pages.Addresses() {
		for _, c := range []struct {
			name, scheme  string
			width, height int64
			phone         bool
		}{{"phone", "dark", 360, 740, true}, {"desk", "light", 1280, 900, false}} {
			t.Run(name+", "+c.name, func(t *testing.T) {
				ctx := tab(t, c.width, c.height, c.phone)
				mediaScheme(t, ctx, c.scheme)
				watch := complaints(ctx)
				open(t, ctx, ts.URL+path)
				shot(t, ctx, "every-"+name+"-"+c.name)
				do(t, ctx, chromedp.Func(evaluate(`document.querySelectorAll("details").forEach(d => d.open = true)`)))
				if wide := get(t, ctx, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`)); wide > c.width {
					t.Errorf("the page is %d px wide on a screen of %d: %q", wide, c.width, get(t, ctx, chromedp.Evaluate[[]string](
						`[...document.querySelectorAll("body *")].filter(e => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth).map(e => e.outerHTML.slice(0, 80))`)))
				}
				if c.phone {
					targets(t, ctx)
				}
				violations(t, ctx)
				for _, w := range watch() {
					t.Errorf("the browser complains: %s", w)
				}
			})
		}
	}
}

// TestNavigation goes from each page to the next by keyboard alone.
func TestNavigation(t *testing.T) {
	ts := serve(t, web.Options{House: webtest.New(evening())})
	ctx := desk(t)
	open(t, ctx, ts.URL)
	links := get(t, ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll(".ways a")].map(a => a.getAttribute("href"))`))
	for _, href := range append(links[1:], links[0]) {
		do(t, ctx, chromedp.Focus(chromedp.CSS(`.ways a[href="`+href+`"]`)), chromedp.KeyEvent("\r"),
			chromedp.WaitReady(chromedp.CSS(`body[data-ready] .ways a[href="`+href+`"][aria-current="page"]`)))
	}
}

// TestWeight holds all pages, styles and modules together under 200 kB as they
// go over the line, compressed by gzip.
func TestWeight(t *testing.T) {
	const most = 200_000
	var sum int64
	weigh := func(r io.Reader) {
		n := &counted{}
		z := gzip.NewWriter(n)
		if _, err := io.Copy(z, r); err != nil {
			t.Fatal(err)
		}
		z.Close()
		sum += n.n
	}
	if err := fs.WalkDir(os.DirFS("static"), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		f, err := os.Open("static/" + name)
		if err != nil {
			return err
		}
		defer f.Close()
		weigh(f)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	ts := serve(t, web.Options{House: webtest.New(evening())})
	for _, path := range pages.Addresses() {
		resp, err := http.Get(ts.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != http.StatusOK || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/html") {
			t.Errorf("%s answers %s, %s", path, resp.Status, resp.Header.Get("Content-Type"))
		}
		weigh(resp.Body)
		resp.Body.Close()
	}
	t.Logf("%d bytes compressed", sum)
	if sum > most {
		t.Errorf("all pages together are %d bytes compressed; at most %d", sum, most)
	}
}

type counted struct{ n int64 }

func (c *counted) Write(p []byte) (int, error) { c.n += int64(len(p)); return len(p), nil }
