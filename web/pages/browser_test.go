package pages_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"undercroft/web"
	"undercroft/web/webtest"
)

// The page is opened in a real browser against the house of paper. With
// UNDERCROFT_SHOTS=DIR, pictures of it are kept there.

const chromium = "/usr/bin/chromium"

// evening is shortly before now, so that countdowns run.
func evening() time.Time { return time.Now().UTC() }

var sizes = []struct {
	name          string
	width, height int64
	phone         bool
}{
	{"desktop", 1280, 900, false},
	{"phone", 390, 844, true},
}

// chrome is the one browser of this package's tests, with one tab: a new tab for
// each test would cost most of their time.
var chrome struct {
	sync.Once
	ctx context.Context
}

func TestMain(m *testing.M) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	dir, err := os.MkdirTemp("", "undercroft-browser-")
	if err != nil {
		panic(err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium),
		chromedp.UserDataDir(dir), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.WSURLReadTimeout(60*time.Second))
	chrome.ctx, _ = chromedp.NewExecAllocator(ctx, opts...)
	code := m.Run()
	_ = chromedp.Cancel(chrome.ctx)
	cancel()
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

// tab is the browser's tab, made to the given size.
func tab(t *testing.T, width, height int64, phone bool) context.Context {
	t.Helper()
	if _, err := os.Stat(chromium); err != nil {
		t.Skipf("no browser at %s: the page is not tested here (Debian: apt-get install chromium)", chromium)
	}
	chrome.Do(func() {
		chrome.ctx, _ = chromedp.NewContext(chrome.ctx)
		if err := chromedp.Do(chrome.ctx); err != nil {
			t.Fatal(err)
		}
	})
	ctx, cancel := context.WithCancel(chrome.ctx)
	t.Cleanup(cancel)
	opts := []chromedp.EmulateViewportOption{chromedp.EmulateScale(1)}
	if phone {
		opts = []chromedp.EmulateViewportOption{chromedp.EmulateScale(2), chromedp.EmulateMobile, chromedp.EmulateTouch}
	}
	// Nothing of the test before: neither its page nor what it set.
	if _, err := chromedp.Call(ctx, network.ClearBrowserCookies, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	mediaScheme(t, ctx, "light")
	do(t, ctx, chromedp.Navigate("about:blank"), chromedp.EmulateViewport(width, height, opts...))
	return ctx
}

// desk is the tab as it stands on a desk.
func desk(t *testing.T) context.Context { return tab(t, 1280, 900, false) }

// open shows the page of a house and waits for its first picture.
func open(t *testing.T, ctx context.Context, url string) {
	t.Helper()
	do(t, ctx, chromedp.Navigate(url))
	await(t, ctx, `document.body.hasAttribute("data-ready")`)
}

func serve(t *testing.T, o web.Options) *httptest.Server {
	t.Helper()
	o.Metrics, o.Health = http.NotFoundHandler(), func() error { return nil }
	srv, err := web.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ts := httptest.NewServer(srv.Handler())
	t.Cleanup(ts.Close)
	return ts
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func get[T any](t *testing.T, ctx context.Context, a chromedp.Action[T]) T {
	t.Helper()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// shot keeps a picture of the whole page.
func shot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("UNDERCROFT_SHOTS")
	if dir == "" {
		return
	}
	png := get(t, ctx, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o600); err != nil {
		t.Fatal(err)
	}
}

func text(t *testing.T, ctx context.Context, css string) string {
	t.Helper()
	return get(t, ctx, chromedp.Text(chromedp.CSS(css)))
}

// await waits for a JavaScript condition.
func await(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](js, chromedp.WithPollingTimeout(30*time.Second))); err != nil {
		t.Fatalf("waiting for %s: %v", js, err)
	}
}

// TestPage opens the page on a desk and on a phone, answers the plate question
// and sees the house move on.
func TestPage(t *testing.T) {
	for _, size := range sizes {
		for _, scheme := range []string{"light", "dark"} {
			if os.Getenv("UNDERCROFT_SHOTS") == "" && (scheme == "dark") != size.phone {
				continue // the other half is for the pictures
			}
			t.Run(size.name+"-"+scheme, func(t *testing.T) {
				house := webtest.New(evening())
				ts := serve(t, web.Options{House: house})
				ctx := tab(t, size.width, size.height, size.phone)
				watch := complaints(ctx)
				mediaScheme(t, ctx, scheme)
				open(t, ctx, ts.URL)

				if got := text(t, ctx, `[aria-labelledby="bay-Bittern"] .height`); !strings.Contains(got, "204.8") || !strings.Contains(got, "368.0 mm") {
					t.Errorf("Bittern's height reads %q", got)
				}
				if wide := get(t, ctx, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`)); wide > size.width {
					t.Errorf("the page is %d px wide on a screen of %d", wide, size.width)
				}
				shot(t, ctx, "now-"+size.name+"-"+scheme)

				// The answer to 'is the plate clear?', by a person who found the second piece bad.
				do(t, ctx,
					chromedp.Click(chromedp.CSS(`[aria-labelledby="plate-Curlew"] [name=empty]`)),
					chromedp.Click(chromedp.CSS(`[aria-labelledby="plate-Curlew"] [name=seated]`)),
					chromedp.Click(chromedp.CSS(`[aria-labelledby="plate-Curlew"] .piece:nth-of-type(2)`)),
					chromedp.Click(chromedp.CSS(`[aria-labelledby="plate-Curlew"] [type=submit]`)))
				await(t, ctx, `!!document.getElementById("countdown-Curlew")`)
				want := `cleared Curlew empty=true seated=true surface="smooth" bad=[2]`
				if calls := house.Calls(); len(calls) != 1 || calls[0] != want {
					t.Errorf("the house heard %q, want %q", calls, want)
				}
				// And a change of mind.
				do(t, ctx, chromedp.Click(chromedp.CSS(`[aria-labelledby="countdown-Curlew"] button`)))
				await(t, ctx, `!document.getElementById("countdown-Curlew")`)
				for _, c := range watch() {
					t.Errorf("the browser complains: %s", c)
				}
			})
		}
	}
}

// complaints gathers what the browser logs: refused scripts, errors, CSP.
func complaints(ctx context.Context) func() []string {
	_ = chromedp.Do(ctx) // attaches
	ch := make(chan string, 100)
	go func() {
		for m, err := range chromedp.Console(ctx) {
			if err != nil {
				return
			}
			select {
			case ch <- m.Text:
			default:
			}
		}
	}()
	return func() []string {
		var all []string
		for {
			select {
			case m := <-ch:
				all = append(all, m)
			default:
				return all
			}
		}
	}
}

func mediaScheme(t *testing.T, ctx context.Context, scheme string) {
	t.Helper()
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	}); err != nil {
		t.Fatal(err)
	}
}

// evaluate runs a script for its effect.
func evaluate(script string) func(context.Context, *chromedp.Target) error {
	return func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Run(ctx, chromedp.Evaluate[int](script+"\n;0"))
		return err
	}
}
