//go:build linux

package sim

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"undercroft/gcode/motion"
)

// hostPort opens the slave as a host does.
func hostPort(tb testing.TB, path string) *os.File {
	tb.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|0x100, 0)
	if err != nil {
		tb.Fatal(err)
	}
	return f
}

func ptyPrinter(tb testing.TB, o Options) (*Printer, string) {
	tb.Helper()
	o.Path = filepath.Join(tb.TempDir(), "port")
	p, err := New(o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { p.Close() })
	return p, o.Path
}

func TestPortSurvivesHosts(t *testing.T) {
	_, path := ptyPrinter(t, Options{ResetOnOpen: true, Pace: 1000})
	for i := range 3 {
		f := hostPort(t, path)
		r := bufio.NewReader(f)
		f.SetReadDeadline(time.Now().Add(5 * time.Second))
		first, err := r.ReadString('\n')
		if err != nil || first != "start\n" {
			t.Fatalf("host %d: first line %q, %v", i, first, err)
		}
		fmt.Fprint(f, "M105\n")
		for {
			l, err := r.ReadString('\n')
			if err != nil {
				t.Fatalf("host %d: %v", i, err)
			}
			if strings.HasPrefix(l, "ok T:") {
				break
			}
		}
		fmt.Fprint(f, "M155 S1\n")
		time.Sleep(20 * time.Millisecond)
		f.Close()
		time.Sleep(20 * time.Millisecond)
	}
}

// The cable comes out after ten commands and goes back in half a second later;
// the board lives on meanwhile.
func TestUnplugAndReplug(t *testing.T) {
	p, path := ptyPrinter(t, Options{Pace: 100, Faults: Faults{Replug: 300 * time.Millisecond,
		Events: []FaultEvent{{Kind: FaultUnplug, Line: 10}}}})
	f := hostPort(t, path)
	r := bufio.NewReader(f)
	f.SetReadDeadline(time.Now().Add(5 * time.Second))
	var err error
	for i := 0; err == nil; i++ {
		fmt.Fprintf(f, "%s\n", numbered(i+1, "M118 x"))
		for l := ""; err == nil && l != "ok\n"; {
			l, err = r.ReadString('\n')
		}
	}
	if os.IsTimeout(err) {
		t.Fatal("the host saw no end of the line")
	}
	f.Close()
	if _, err := os.Lstat(path); err == nil {
		t.Error("the link is still there")
	}
	for till := time.Now().Add(5 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if f, err = os.OpenFile(path, os.O_RDWR, 0); err == nil {
			break
		}
		if time.Now().After(till) {
			t.Fatal(err)
		}
	}
	defer f.Close()
	r = bufio.NewReader(f)
	f.SetReadDeadline(time.Now().Add(5 * time.Second))
	fmt.Fprintf(f, "%s\n", numbered(900000, "M105"))
	for {
		l, err := r.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if l == "Resend: 11\n" {
			break // it knows where it stood
		}
	}
	if c := p.Truth(); c.Faults.Unplugs != 1 || c.Boots != 1 {
		t.Errorf("%+v", c)
	}
}

// A path that is taken by something else is left alone.
func TestPathTaken(t *testing.T) {
	path := filepath.Join(t.TempDir(), "port")
	if err := os.WriteFile(path, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := New(Options{Path: path}); err == nil || !strings.Contains(err.Error(), "not a symbolic link") {
		t.Errorf("%v", err)
	}
}

// The link goes with the printer, and the trace is whole.
func TestCloseEndsAll(t *testing.T) {
	var trace bytes.Buffer
	p, path := ptyPrinter(t, Options{Trace: &trace})
	f := hostPort(t, path)
	defer f.Close()
	fmt.Fprint(f, "M118 x\n")
	time.Sleep(50 * time.Millisecond)
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Lstat(path); err == nil {
		t.Error("the link is still there")
	}
	if s := trace.String(); !strings.Contains(s, " - M118 x\n# ") || !strings.Contains(s, " end x ") {
		t.Errorf("trace %q", s)
	}
}

// stream sends n moves, never more than window bytes ahead of the last ok;
// window 0 is one line at a time.
func stream(tb testing.TB, f *os.File, n, window int) (bytes int) {
	r := bufio.NewReader(f)
	var sizes []int
	ahead, acked := 0, 0
	out := make([]byte, 0, 4096)
	for i := 0; acked < n; {
		out = out[:0]
		for i < n {
			l := fmt.Appendf(nil, "N%d G1 X%d.%03d Y%d.%03d E0.0%d F6000000", i+1, i%100, i%1000, (i+7)%100, i%997, i%10)
			x := byte(0)
			for _, c := range l {
				x ^= c
			}
			l = fmt.Appendf(l, "*%d\n", x)
			if ahead > 0 && ahead+len(l) > window {
				break
			}
			out = append(out, l...)
			sizes = append(sizes, len(l))
			ahead += len(l)
			i++
		}
		if len(out) > 0 {
			bytes += len(out)
			if _, err := f.Write(out); err != nil {
				tb.Fatal(err)
			}
		}
		for {
			l, err := r.ReadSlice('\n')
			if err != nil {
				tb.Fatal(err)
			}
			if string(l) == "ok\n" {
				ahead -= sizes[acked]
				acked++
				break
			}
			if strings.HasPrefix(string(l), "Error") {
				tb.Fatal(string(l))
			}
		}
	}
	return bytes
}

func benchPTY(b *testing.B, window int) {
	tr, err := os.Create(filepath.Join(b.TempDir(), "trace"))
	if err != nil {
		b.Fatal(err)
	}
	defer tr.Close()
	_, path := ptyPrinter(b, Options{Pace: 1e6, Trace: tr})
	f := hostPort(b, path)
	defer f.Close()
	time.Sleep(50 * time.Millisecond)
	fmt.Fprint(f, "M302 P1\nM83\nM110 N0\n")
	time.Sleep(50 * time.Millisecond)
	junk := make([]byte, 65536)
	f.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	f.Read(junk)
	f.SetReadDeadline(time.Time{})
	b.ResetTimer()
	stream(b, f, b.N, window)
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "lines/s")
}

func BenchmarkPTYSingle(b *testing.B) { benchPTY(b, 0) }
func BenchmarkPTYWindow(b *testing.B) { benchPTY(b, 120) }

// BenchmarkPTYFive streams moves of about a virtual second through five
// printers at a pace of 3000 virtual seconds a second.
func BenchmarkPTYFive(b *testing.B) {
	var wg sync.WaitGroup
	dir := b.TempDir()
	for k := range 5 {
		tr, err := os.Create(filepath.Join(dir, fmt.Sprint("trace", k)))
		if err != nil {
			b.Fatal(err)
		}
		defer tr.Close()
		_, path := ptyPrinter(b, Options{Pace: 3000, Trace: tr})
		f := hostPort(b, path)
		defer f.Close()
		time.Sleep(20 * time.Millisecond)
		fmt.Fprint(f, "M302 P1\nM83\nM110 N0\n")
		time.Sleep(20 * time.Millisecond)
		junk := make([]byte, 65536)
		f.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
		f.Read(junk)
		f.SetReadDeadline(time.Time{})
		wg.Go(func() { stream(b, f, b.N/5+1, 120) })
	}
	b.ResetTimer()
	wg.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "lines/s")
	var ru unix.Rusage
	unix.Getrusage(unix.RUSAGE_SELF, &ru)
	b.ReportMetric(float64(ru.Utime.Nano()+ru.Stime.Nano())/1e9/b.Elapsed().Seconds(), "cores")
}

// benchBaud says how much of the line's byte rate a host with a window uses.
func benchBaud(b *testing.B, baud int) {
	_, path := ptyPrinter(b, Options{Pace: 1, Baud: baud, Limits: quickLimits})
	f := hostPort(b, path)
	defer f.Close()
	time.Sleep(300 * time.Millisecond)
	fmt.Fprint(f, "M302 P1\nM83\nM110 N0\n")
	time.Sleep(50 * time.Millisecond)
	junk := make([]byte, 65536)
	f.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	f.Read(junk)
	f.SetReadDeadline(time.Time{})
	b.ResetTimer()
	n := stream(b, f, b.N, 120)
	b.ReportMetric(float64(n)*10/float64(baud)/b.Elapsed().Seconds(), "share")
}

// quickLimits let moves take next to no time, so that only the line counts.
var quickLimits = motion.Limits{
	MaxFeedMMs: [4]float64{1e9, 1e9, 1e9, 1e9}, MaxAccelMMs2: [4]float64{1e12, 1e12, 1e12, 1e12},
	AccelPrintMMs2: 1e12, AccelRetractMMs2: 1e12, AccelTravelMMs2: 1e12, JunctionDeviationMM: 1,
	StepsPerMM: [4]float64{80, 80, 400, 500},
}

func BenchmarkBaud115200(b *testing.B)  { benchBaud(b, 115200) }
func BenchmarkBaud250000(b *testing.B)  { benchBaud(b, 250000) }
func BenchmarkBaud1000000(b *testing.B) { benchBaud(b, 1000000) }
