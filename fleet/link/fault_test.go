package link

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
)

// lossy are mixes of faults, each seen on some real line.
var lossy = map[string]faults{
	"flips":       {flip: 2e-4},
	"drops":       {drop: 2e-4},
	"bursts":      {burst: 5e-5},
	"lost ok":     {loseOK: 0.01},
	"double ok":   {doubleOK: 0.01},
	"lost lines":  {loseLine: 0.005},
	"reply flips": {replyFlip: 5e-4},
	"reply drops": {replyDrop: 5e-4},
	"all":         {flip: 1e-4, drop: 1e-4, burst: 2e-5, loseOK: 0.003, doubleOK: 0.003, loseLine: 0.001, replyFlip: 2e-4, replyDrop: 2e-4},
}

// TestStreamFaults holds the promise of the wire: whatever the line does, the
// file was executed exactly, or the run stopped with a cause. A failing seed
// replays with LINK_SEED=n go test -run 'TestStreamFaults/plain/flips' ./fleet/link
func TestStreamFaults(t *testing.T) {
	first, last := uint64(1), uint64(1)
	if s, err := strconv.ParseUint(os.Getenv("LINK_SEED"), 10, 64); err == nil {
		first, last = s, s
	}
	if n, err := strconv.ParseUint(os.Getenv("LINK_SEEDS"), 10, 64); err == nil {
		first, last = 1, n
	}
	for fam, mo := range families {
		for name, f := range lossy {
			t.Run(fam+"/"+name, func(t *testing.T) {
				finished, slipped := 0, 0
				causes := map[string]int{}
				for seed := first; seed <= last && !t.Failed(); seed++ {
					r := newRig(Options{}, mo, seed)
					r.trace = &strings.Builder{}
					if !r.open() {
						t.Fatalf("seed %d did not open: %+v", seed, r.e.fault)
					}
					r.fault = f
					stream(t, r, spiral(250))
					if t.Failed() {
						os.WriteFile("/tmp/link-trace.txt", []byte(r.trace.String()), 0o644)
						t.Fatalf("seed %d", seed)
					}
					slipped += r.slipped
					if r.e.phase == Idle {
						finished++
					} else {
						if os.Getenv("LINK_TRACE") != "" {
							os.WriteFile(os.Getenv("LINK_TRACE"), []byte(r.trace.String()), 0o644)
						}
						causes[fmt.Sprint(r.e.fault.Cause, ": ", r.e.fault.Text)]++
					}
				}
				t.Logf("%d of %d finished, %d damaged lines with a right checksum", finished, last-first+1, slipped)
				for c, n := range causes {
					t.Logf("  %d × %.300s", n, c)
				}
			})
		}
	}
}
