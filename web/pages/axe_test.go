package pages_test

import (
	"context"
	_ "embed"
	"testing"

	"github.com/chromedp/chromedp"

	"undercroft/web"
	"undercroft/web/webtest"
)

// axe-core checks a page against WCAG. It is for this test only; its licence
// stands beside it.
//
//go:embed testdata/axe/axe.min.js
var axe string

// TestAccessible has axe-core look at the page on a light desk and a dark phone,
// with everything opened, and at what else there is.
func TestAccessible(t *testing.T) {
	house := webtest.New(evening())
	house.Change(func(v *web.View) {
		v.Hours = web.Hours{} // the questions too
		v.Printers[1].Name = "Grey heron"
		v.Printers[4].Phase = "faulted"
	})
	ts := serve(t, web.Options{House: house})
	locked := serve(t, web.Options{House: house, Book: webtest.Book(t)})
	const opened = `document.querySelectorAll("details").forEach(d => d.open = true)`
	for _, c := range []struct {
		name, url, before string
		phone             bool
		scheme            string
	}{
		{"desk, light", ts.URL, opened, false, "light"},
		{"phone, dark", ts.URL, opened, true, "dark"},
		{"a dialog", ts.URL, `document.getElementById("cool").click()`, false, "light"},
		{"log in", locked.URL, "", true, "dark"},
	} {
		t.Run(c.name, func(t *testing.T) {
			width, height := int64(1280), int64(900)
			if c.phone {
				width, height = 390, 844
			}
			ctx := tab(t, width, height, c.phone)
			mediaScheme(t, ctx, c.scheme)
			do(t, ctx, chromedp.Navigate(c.url), chromedp.WaitReady(chromedp.CSS("h1")))
			if c.url == ts.URL {
				await(t, ctx, `document.body.hasAttribute("data-ready")`)
			}
			if c.before != "" {
				do(t, ctx, chromedp.Func(evaluate(c.before)))
			}
			violations(t, ctx)
		})
	}
}

// violations has axe-core look at what the tab shows.
func violations(t *testing.T, ctx context.Context) {
	t.Helper()
	do(t, ctx, chromedp.Func(evaluate(axe)))
	found := get(t, ctx, chromedp.Evaluate[[]string](`axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
		.then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + " " + n.failureSummary)))`, chromedp.EvalAwaitPromise))
	for _, f := range found {
		t.Error(f)
	}
}
