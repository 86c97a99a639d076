package main

import (
	"fmt"
	"io"
	"sync"
	"text/tabwriter"
	"time"

	"undercroft/fleet/link"
)

// load is what many links at once cost.
type load struct {
	printers, perSecond int
	window              int
	linesPerS           float64 // of each printer, as measured
	p50, p99            time.Duration
	cores               float64 // of this process
	bytesEach           int64
}

// many streams to so many printers, each of which takes that many lines a second.
func many(l *load, during time.Duration) error {
	p, err := startPeers(peersCmd{Count: l.printers, Pace: 1})
	if err != nil {
		return err
	}
	defer p.stop()
	samples := int(float64(l.perSecond) * during.Seconds() * 2)
	before := memory()
	hosts := make([]*host, l.printers)
	errs := make([]error, l.printers)
	var all sync.WaitGroup
	for i := range hosts {
		all.Go(func() {
			hosts[i], errs[i] = dial(p.path(i), link.Options{WindowBytes: l.window}, samples)
		})
	}
	all.Wait()
	defer func() {
		for _, h := range hosts {
			if h != nil {
				all.Go(func() { h.Close() })
			}
		}
		all.Wait()
	}()
	for i, err := range errs {
		if err != nil {
			return fmt.Errorf("printer %d of %d: %w", i+1, l.printers, err)
		}
	}
	// Half a line a millisecond at 100 mm/s: the length sets the rate.
	const feedMMs = 100
	for _, h := range hosts {
		if err := h.Stream(&shuttle{stepMM: feedMMs / float64(l.perSecond), feedMMs: feedMMs}); err != nil {
			return err
		}
	}
	time.Sleep(time.Second)
	l.bytesEach = (memory()-before)/int64(l.printers) - int64(samples)*8
	sent := total(hosts)
	for _, h := range hosts {
		h.port.on.Store(true)
	}
	cpu, from := cpuTime(), time.Now()
	time.Sleep(during)
	took := time.Since(from)
	l.cores = (cpuTime() - cpu).Seconds() / took.Seconds()
	for _, h := range hosts {
		h.port.on.Store(false)
	}
	l.linesPerS = float64(total(hosts)-sent) / took.Seconds() / float64(l.printers)
	time.Sleep(50 * time.Millisecond) // a write under way notes its time
	var added []time.Duration
	for _, h := range hosts {
		if s := h.State(); s.Fault != nil {
			return fmt.Errorf("in the load of %d printers: %s", l.printers, s.Fault.Text)
		}
		added = append(added, h.port.added...)
	}
	l.p50, l.p99 = quantiles(added)
	return nil
}

// total is how many commands all hosts have sent.
func total(hosts []*host) (n int64) {
	for _, h := range hosts {
		n += h.State().Sent
	}
	return n
}

func (w *wireCmd) loads(out io.Writer) error {
	tw := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "printers\tlines/s each\tas measured\twindow\tadded p50\tadded p99\tcores\tCPU a printer\tmemory a printer\t")
	for _, l := range []load{
		{printers: 1, perSecond: 250}, {printers: 16, perSecond: 250}, {printers: 64, perSecond: 250}, {printers: 256, perSecond: 100},
		{printers: 1, perSecond: 250, window: oneLine}, {printers: 16, perSecond: 250, window: oneLine},
		{printers: 64, perSecond: 250, window: oneLine}, {printers: 256, perSecond: 100, window: oneLine},
	} {
		if l.printers > w.Most {
			continue
		}
		if err := many(&l, w.During); err != nil {
			return err
		}
		window := "120 bytes"
		if l.window == oneLine {
			window = "one line"
		}
		fmt.Fprintf(tw, "%d\t%d\t%.0f\t%s\t%s\t%s\t%.3f\t%.2f %%\t%.0f kB\t\n", l.printers, l.perSecond, l.linesPerS, window,
			micro(l.p50), micro(l.p99), l.cores, l.cores*100/float64(l.printers), float64(l.bytesEach)/1000)
	}
	fmt.Fprintln(out, "From an ok read to the next bytes written, and what the links cost (this process only):")
	return tw.Flush()
}

func micro(d time.Duration) string { return fmt.Sprintf("%.0f µs", float64(d)/1000) }
