package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"text/tabwriter"
	"time"

	"undercroft/fleet/link"
	"undercroft/fleet/sim"
	"undercroft/gcode/motion"
)

// feather is a file of short segments: rings of 0.4 mm chords at 96 mm/s, 240
// lines a second of 45 bytes each, which is what a line at 115200 baud can just
// bring when it never stands idle.
type feather struct {
	n, last int64
	line    []byte
}

const (
	chordMM = 0.4
	ringMM  = 40 // radius
	ringMMs = 96
)

// before stands before the chords: nothing is printed here, so the nozzle may be
// cold.
var before = []string{"M302 P1", "G90", "M82", "G92 E0", "G1 X140 Y100 F" + strconv.Itoa(ringMMs*60)}

// place is where chord n ends.
func place(n int64) (x, y float64) {
	s, c := math.Sincos(float64(n) * chordMM / ringMM)
	return 100 + ringMM*c, 100 + ringMM*s
}

func (f *feather) Next() ([]byte, int64, error) {
	f.n++
	switch {
	case f.n <= int64(len(before)):
		return []byte(before[f.n-1]), f.n, nil
	case f.n > f.last+int64(len(before)):
		return nil, f.n, io.EOF
	}
	n := f.n - int64(len(before))
	x, y := place(n)
	f.line = append(f.line[:0], "G1 X"...)
	f.line = strconv.AppendFloat(f.line, x, 'f', 4, 64)
	f.line = append(f.line, " Y"...)
	f.line = strconv.AppendFloat(f.line, y, 'f', 4, 64)
	f.line = append(f.line, " E"...)
	f.line = strconv.AppendFloat(f.line, float64(n)*chordMM*0.033, 'f', 5, 64)
	return f.line, f.n, nil
}

// ownTime is what the planner takes for the chords when it never waits, by the
// same planner that the virtual printer has: the difference to it is the host's.
func ownTime(chords int64) time.Duration {
	p := motion.NewPlanner(sim.DefaultLimits, 16)
	total := 0.0
	pop := func() {
		s, _ := p.Pop()
		total += s
	}
	p.Push([4]float64{140, 100}, ringMMs)
	x0, y0 := place(0)
	for n := int64(1); n <= chords; n++ {
		x, y := place(n)
		for !p.Push([4]float64{x - x0, y - y0, 0, chordMM * 0.033}, ringMMs) {
			pop()
		}
		x0, y0 = x, y
	}
	for p.Len() > 0 {
		pop()
	}
	return time.Duration(total * float64(time.Second))
}

// starve prints the file at that rate and says how long it took.
func starve(baud, window int, chords int64) (took time.Duration, s link.State, err error) {
	p, err := startPeers(peersCmd{Count: 1, Baud: baud, Pace: 1})
	if err != nil {
		return 0, s, err
	}
	defer p.stop()
	h, err := dial(p.path(0), link.Options{Baud: baud, WindowBytes: window}, 0)
	if err != nil {
		return 0, s, err
	}
	defer h.Close()
	from := time.Now()
	if err := h.Stream(&feather{last: chords}); err != nil {
		return 0, s, err
	}
	err = h.until(5*time.Minute, link.Idle)
	return time.Since(from), h.State(), err
}

func (w *wireCmd) starvation(out io.Writer) error {
	const chords = 1500
	ideal := ownTime(chords)
	tw := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "line\twindow\tplanner's own\ttook\tlonger by\tround trip p50\tp99\t")
	for _, baud := range []int{57600, 115200, 250000} {
		for _, window := range []int{0, oneLine} {
			took, s, err := starve(baud, window, chords)
			if err != nil {
				return err
			}
			name := "120 bytes"
			if window == oneLine {
				name = "one line"
			}
			fmt.Fprintf(tw, "%d baud\t%s\t%.2f s\t%.2f s\t%.2f s\t%s\t%s\t\n", baud, name, ideal.Seconds(), took.Seconds(),
				(took - ideal).Seconds(), micro(s.RTTp50), micro(s.RTTp99))
		}
	}
	fmt.Fprintf(out, "%d segments of %.1f mm at %d mm/s: how much longer than the planner alone takes:\n", chords, chordMM, ringMMs)
	return tw.Flush()
}
