package link

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
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

// A burst that makes a line end in the middle of a line draws a refusal and an
// ok for its head, and an ok for its tail: that one is not the ok of the line
// when it is written again.
func TestOKOfATornTailIsNotTakenForTheRewrittenLine(t *testing.T) {
	for _, tail := range []string{"1 Y1\n", "1 Y1"} {
		lines := moves(60)
		r := started(t, modelOptions{careless: true}, Options{}, lines)
		n := 0
		r.fault.onLine = func(_ int, l []byte) []byte {
			if !bytes.HasPrefix(l, []byte("N40 ")) {
				return l
			}
			switch n++; n {
			case 1:
				return []byte("N40 G1*1\n" + tail)
			case 2:
				return bytes.Replace(l, []byte("Y"), []byte("X"), 1)
			}
			return l
		}
		r.until(10*time.Minute, r.over)
		wantFinished(t, r, lines)
	}
}

// A request that is out of date: the board has the line asked for, and those
// behind it. Nothing is run again.
func TestStaleRequest(t *testing.T) {
	lines := []string{"G28", "G90", "G1 X10 Y10 F600", "G1 X20", "G1 X30", "M106 S9", "G1 X40"}
	r := started(t, modelOptions{receipt: true, parser: true}, Options{}, lines)
	if !r.until(time.Minute, func() bool { return r.e.acked+2 < r.e.cursor && r.e.at(r.e.acked).kind == slotPosition }) {
		t.Fatal("no query with lines behind it was seen")
	}
	r.e.Receive(r.now, []byte("rs N"+itoa(r.e.acked+r.e.shift)+"\n"))
	r.until(10*time.Minute, r.over)
	wantFinished(t, r, lines)
}

// A firmware that acknowledges on receipt says its temperatures apart from any
// ok: the query that shows what was handled before a refused line is answered
// all the same.
func TestRefusalBehindAPrintedPositionOnReceipt(t *testing.T) {
	lines := append(append(moves(30), "G92 E0"), moves(30)[3:]...)
	r := started(t, modelOptions{receipt: true}, Options{}, lines)
	damaged := ""
	r.fault.onLine = func(_ int, l []byte) []byte {
		switch {
		case damaged == "next":
			damaged = "done"
			return bytes.Replace(l, []byte("X"), []byte("Y"), 1)
		case damaged == "" && bytes.Contains(l, []byte("G92")):
			damaged = "next"
		}
		return l
	}
	r.until(10*time.Minute, r.over)
	wantFinished(t, r, lines)
}

// An ok too many was counted for the line before, which is refused: the line on
// its way must not be written again as if it had been meant.
func TestRefusalOfTheLineBeforeIsNotTakenForThisOne(t *testing.T) {
	absolute := []string{"G28", "G90", "G1 F600"}
	for i := range 60 {
		absolute = append(absolute, fmt.Sprintf("G1 X%d Y1", 1+i))
	}
	for _, lines := range [][]string{moves(60), absolute} {
		r := started(t, modelOptions{careless: true}, Options{}, lines)
		early := false
		r.fault.onLine = damage("N40 ", func(l []byte) []byte {
			early = true
			return bytes.Replace(l, []byte("X"), []byte("Y"), 1)
		})
		for !r.over() {
			r.step()
			if early {
				early = false
				r.e.Receive(r.now, []byte("ok\n"))
			}
		}
		if r.e.phase != Failed || r.e.fault.Cause != CauseDesync && r.e.fault.Cause != CausePosition {
			t.Fatalf("phase %s fault %+v", r.e.phase, r.e.fault)
		}
		if len(r.m.handled) > 50 {
			t.Errorf("%d commands were run before it was noticed", len(r.m.handled))
		}
	}
}

// The tail of a line before draws a refusal that names the line on its way, which
// is run all the same, as its own ok shows: it is not written again.
func TestRefusalThatNamesALineThatRan(t *testing.T) {
	lines := []string{"G28", "G90", "G1 F6000"}
	for i := range 60 {
		lines = append(lines, fmt.Sprintf("G1 X%d Y1", 1+i))
	}
	r := started(t, modelOptions{careless: true}, Options{}, lines)
	now := false
	r.fault.onLine = damage("N40 ", func(l []byte) []byte { now = true; return l })
	for !r.over() {
		r.step()
		if now {
			now = false
			r.e.Receive(r.now, []byte("rs N40 Expected checksum 191\nok\n"))
		}
	}
	wantFinished(t, r, lines)
}

// A line is torn in two on its way, and the ok of its first half comes while the
// planner is full: the refusal of the second finds the line acknowledged, with
// nothing else on its way or with the next line. No command is left out, or the
// run ends, and no more is said to be done than was run.
func TestRefusalBehindTheOKOfAPiece(t *testing.T) {
	for _, together := range []bool{true, false} {
		for _, relative := range []bool{true, false} {
			lines := []string{"G28", "G90", "G1 F600"}
			if relative {
				lines[1] = "G91"
			}
			for i := range 120 {
				lines = append(lines, fmt.Sprintf("G1 X%d Y%d", 1+i%7, 1+i%5))
			}
			lines[50] = "G1 X9 Y9"
			r := started(t, modelOptions{careless: true}, Options{}, lines)
			number := ""
			r.fault.onLine = func(_ int, l []byte) []byte {
				if n, rest, _ := bytes.Cut(l, []byte(" ")); number == "" && bytes.HasPrefix(rest, []byte("G1 X9 ")) {
					number = string(n)
					return nil
				}
				return l
			}
			for told := false; !r.over(); {
				r.step()
				if number != "" && !told {
					told = true
					refusal := "rs " + number + " Expected checksum 191\nok\n"
					if together {
						r.e.Receive(r.now, []byte("ok\n"+refusal))
					} else {
						r.e.Receive(r.now, []byte("ok\n"))
						r.e.Receive(r.now, []byte(refusal))
					}
				}
			}
			got := sourceOnly(r.m.handled, 0)
			same := 0
			for same < len(got) && got[same] == lines[same] {
				same++
			}
			if r.e.bound.done > int64(same) {
				t.Errorf("together %v: %d said to be done, %d were run", together, r.e.bound.done, same)
			}
			if r.e.finished && same < len(lines) {
				t.Errorf("together %v, relative %v: finished after %d of %d", together, relative, same, len(lines))
			}
			if together && !r.e.finished {
				t.Errorf("relative %v: nothing was on its way behind it: %+v", relative, r.e.fault)
			}
		}
	}
}

// A line is torn in two, both halves draw an ok, and the refusal of the second is
// lost: where oks are all there is to count, nothing behind the newest fence is
// said to be done.
func TestFenceHoldsBackWhatOKsAloneSay(t *testing.T) {
	lines := []string{"G28", "G90", "G1 F6000"}
	for i := range 400 {
		lines = append(lines, fmt.Sprintf("G1 X%d Y%d", 1+i%7, 1+i%5))
	}
	r := started(t, modelOptions{careless: true}, Options{}, lines)
	again := false
	r.fault.onLine = func(_ int, l []byte) []byte {
		if bytes.HasPrefix(l, []byte("N90 ")) {
			again = true
			return nil
		}
		return l
	}
	worst := int64(0)
	for !r.over() {
		r.step()
		if again {
			again = false
			r.e.Receive(r.now, []byte("ok\nok\n"))
		}
		got := sourceOnly(r.m.handled, 0)
		same := 0
		for same < len(got) && got[same] == lines[same] {
			same++
		}
		worst = max(worst, r.e.bound.done-int64(same))
	}
	if worst > 0 || r.e.finished {
		t.Errorf("%d commands more were said to be done than were run; finished %v", worst, r.e.finished)
	}
}

// A query that lost its number on the way is refused with the number that the
// link would have given next, by firmware that looks at sums alone: that does
// not prove that it looks at numbers.
func TestOneAnswerDoesNotProveNumbering(t *testing.T) {
	r := newRig(Options{}, modelOptions{careless: true}, 1)
	seen := 0
	r.fault.onLine = func(_ int, l []byte) []byte {
		if bytes.HasPrefix(l, []byte("N900")) {
			if seen++; seen == 1 {
				return l[1:]
			}
		}
		return l
	}
	if !r.open() || seen < 2 || r.e.checks {
		t.Errorf("probed %d times, numbers checked %v", seen, r.e.checks)
	}
}

// The same where nothing but a query of the link's own is on its way behind the
// torn line, and the line moves nothing: it cannot be told whether it was run.
func TestRefusalBehindTheOKOfAPieceAtTheEnd(t *testing.T) {
	lines := []string{"G28", "G90", "G1 X10 Y10 F600", "G1 X20 E1", "M82"}
	r := started(t, modelOptions{careless: true}, Options{}, lines)
	r.fault.onLine = func(_ int, l []byte) []byte {
		return bytes.Replace(l, []byte(" M82"), []byte(" \r82"), 1)
	}
	r.until(10*time.Minute, r.over)
	wantFault(t, r, CauseDesync)
	if r.e.finished || r.e.bound.done > 4 {
		t.Errorf("%d said to be done, finished %v", r.e.bound.done, r.e.finished)
	}
}
