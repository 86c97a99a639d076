package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"undercroft/fleet/link"
)

// utilisation measures how much of a line's rate is used: bytes written against
// what the rate lets through, a start bit, eight of data and a stop bit each.
// The printer's moves take no time, so that nothing but the line holds. all is
// firmware with the emergency parser, which lets more lines be on their way.
func utilisation(baud, window int, all bool, during time.Duration) (share float64, err error) {
	p, err := startPeers(peersCmd{Count: 1, Baud: baud, Pace: 1000, All: all})
	if err != nil {
		return 0, err
	}
	defer p.stop()
	h, err := dial(p.path(0), link.Options{Baud: baud, WindowBytes: window}, 0)
	if err != nil {
		return 0, err
	}
	defer h.Close()
	if err := h.Stream(&shuttle{stepMM: 0.4, feedMMs: 100}); err != nil {
		return 0, err
	}
	time.Sleep(500 * time.Millisecond)
	before, from := h.State().BytesOut, time.Now()
	time.Sleep(during)
	bytes, took := h.State().BytesOut-before, time.Since(from)
	if s := h.State(); s.Fault != nil {
		return 0, fmt.Errorf("at %d baud: %s", baud, s.Fault.Text)
	}
	return float64(bytes) * 10 / float64(baud) / took.Seconds(), nil
}

func (w *wireCmd) lines(out io.Writer) error {
	tw := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "line\twindow, emergency parser\twindow, without\tone line at a time\t")
	for _, baud := range []int{115200, 250000, 1000000} {
		fmt.Fprintf(tw, "%d baud\t", baud)
		for _, c := range []struct {
			window int
			all    bool
		}{{0, true}, {0, false}, {oneLine, false}} {
			share, err := utilisation(baud, c.window, c.all, w.During)
			if err != nil {
				return err
			}
			fmt.Fprintf(tw, "%.1f %%\t", share*100)
		}
		fmt.Fprintln(tw)
	}
	fmt.Fprintln(out, "Share of the line's rate that is used:")
	return tw.Flush()
}
