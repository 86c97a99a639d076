package dispatch

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"undercroft/fleet"
	"undercroft/queue"
)

// big is a house of 50 printers and 5,000 queued jobs of 90 files, of which only
// the last suits, so that a decision reads the whole queue.
func big(b *testing.B) (*house, []queue.Job) {
	b.Helper()
	var names []string
	var machines []Machine
	for i := range 50 {
		n := fmt.Sprintf("Fen-%02d", i)
		names = append(names, n)
		machines = append(machines, machineFor(n))
	}
	h := open(b, b.TempDir(), newFakes(b, names...), machines, func(o *Options) { o.StartDelay = -1 })
	b.Cleanup(h.close)
	files := make([]*queue.File, 90)
	for i := range files {
		files[i] = quick(fmt.Sprintf("part-%d", i))
	}
	for i := range files {
		h.add(files[i], 4999/len(files)+1, func(j *queue.Job) { j.NozzleMM = 0.8 })
	}
	return h, h.add(quick("last"), 1000, nil)
}

// BenchmarkDecision is from one event until a printer is asked to start: choice,
// lease, transaction, the file's layer index; at 50 printers and 5,000 queued jobs.
func BenchmarkDecision(b *testing.B) {
	h, _ := big(b)
	h.end() // only this loop decides
	<-h.ended
	h.mu.Lock()
	h.closing = false
	h.mu.Unlock()
	p := h.f.all["Fen-25"]
	var took []time.Duration
	var began time.Time
	p.onStart = func(fleet.Run) { took = append(took, time.Since(began)) }
	for b.Loop() {
		if err := h.Cleared(ctx, "Fen-25", Cleared{Empty: true, Seated: true}); err != nil {
			b.Fatal(err)
		}
		began = time.Now()
		h.pass(ctx)
		h.mu.RLock()
		recorded := h.byName["Fen-25"].recorded
		h.mu.RUnlock()
		for p.Snapshot().Run == nil {
			time.Sleep(100 * time.Microsecond)
		}
		p.end(fleet.Finished, "")
		<-recorded
		p.phase(fleet.Ready)
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}

// BenchmarkPassWithoutAStart is what each report of a printer costs.
func BenchmarkPassWithoutAStart(b *testing.B) {
	h, jobs := big(b)
	for _, j := range jobs {
		if err := h.Hold(context.Background(), j.ID); err != nil {
			b.Fatal(err)
		}
	}
	for i := range 8 {
		h.Cleared(ctx, fmt.Sprintf("Fen-%02d", i), Cleared{Empty: true, Seated: true})
	}
	b.ReportAllocs()
	for b.Loop() {
		h.pass(ctx)
	}
}

func BenchmarkView(b *testing.B) {
	h, _ := big(b)
	b.ReportAllocs()
	for b.Loop() {
		h.View()
	}
}
