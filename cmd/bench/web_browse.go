package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// chromium is where Debian puts the browser.
const chromium = "/usr/bin/chromium"

// shown is true once a page has drawn its first picture of the house; with the
// time since the navigation began, in ms.
const shown = `document.body && document.body.hasAttribute("data-ready") && performance.now()`

// browse opens the page in a browser: how soon something useful is painted, and
// whether a page that stays open grows.
func (k *webCmd) browse(base string) error {
	if _, err := os.Stat(chromium); err != nil {
		fmt.Printf("first useful paint: skipped, no browser at %s\n", chromium)
		return nil
	}
	dir, err := os.MkdirTemp("", "undercroft-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.UserDataDir(dir), chromedp.NoSandbox,
		chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.WSURLReadTimeout(60*time.Second))
	limit, cancel := context.WithTimeout(context.Background(), 3*time.Minute+k.Heap)
	defer cancel()
	alloc, _ := chromedp.NewExecAllocator(limit, opts...)
	ctx, _ := chromedp.NewContext(alloc)
	defer func() { _ = chromedp.Cancel(ctx) }()
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		return err
	}
	var useful, first []float64
	for range 7 {
		if err := chromedp.Do(ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(base)); err != nil {
			return err
		}
		ms, err := chromedp.Run(ctx, chromedp.Poll[float64](shown, chromedp.WithPollingTimeout(30*time.Second)))
		if err != nil {
			return fmt.Errorf("the page shows nothing: %w", err)
		}
		paint, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`(performance.getEntriesByName("first-contentful-paint")[0] || {startTime: 0}).startTime`))
		if err != nil {
			return err
		}
		useful, first = append(useful, ms), append(first, paint)
	}
	fmt.Printf("first useful paint, median of %d: every machine drawn by %.0f ms at most; first contentful paint %.0f ms\n", len(useful), median(useful), median(first))
	if k.Heap == 0 {
		return nil
	}
	early, err := heapKB(ctx, k.Heap/4)
	if err != nil {
		return err
	}
	late, err := heapKB(ctx, k.Heap)
	if err != nil {
		return err
	}
	fmt.Printf("a page left open: %.0f kB of live heap after %v, %.0f kB after %v more at 5 changes a second\n", early, k.Heap/4, late, k.Heap)
	return nil
}

// heapKB waits, lets the garbage be collected, and weighs what is left.
func heapKB(ctx context.Context, wait time.Duration) (float64, error) {
	time.Sleep(wait)
	if _, err := chromedp.Call(ctx, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
		return 0, err
	}
	use, err := chromedp.Call(ctx, runtime.GetHeapUsage, cdp.Empty{})
	if err != nil {
		return 0, err
	}
	return use.UsedSize / 1000, nil
}
