package judge

import "fmt"

// Claim is what the link says of a stream.
type Claim struct {
	Sent, Accepted, Done int64
	Finished             bool
	Cause                string // why it stopped, "" when it did not
}

// Verdict is what the judge says of it.
type Verdict struct {
	Counts
	Commands   int
	HeightMM   float64  // claimed: of the commands that the link says are done
	TruthMM    float64  // of the commands that were executed
	Violations []string // in words; none: the promise was kept
	Notes      []string // what deviated and is accounted for
}

// Progress holds a claim in mid-stream against what was executed by now, and
// gives what is wrong with it.
func (j *Judge) Progress(c Claim) []string {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.file == nil {
		return nil
	}
	before := len(j.broken)
	j.check(c)
	return j.broken[before:]
}

// sure is how many commands were executed before any was left out.
func (j *Judge) sure() int64 {
	if j.gapAt >= 0 {
		return int64(j.gapAt)
	}
	// A damaged line stands, perhaps, in the place of one of the file.
	return int64(min(j.at+j.open+j.numbered(), len(j.file.commands)))
}

func (j *Judge) check(c Claim) {
	if c.Done > j.sure() && !j.above {
		j.above = true // once is enough
		j.breaks("%d commands were said to be done, %d were", c.Done, j.sure())
	}
	if c.Done < j.claimed {
		j.breaks("%d commands were said to be done, and %d before", c.Done, j.claimed)
	}
	if c.Done > c.Accepted || c.Accepted > c.Sent {
		j.breaks("the counts contradict each other: %d done, %d accepted, %d sent", c.Done, c.Accepted, c.Sent)
	}
	j.claimed = max(j.claimed, c.Done)
}

func (j *Judge) breaks(format string, args ...any) {
	if len(j.broken) < 12 {
		j.broken = append(j.broken, fmt.Sprintf(format, args...))
	}
}

// End closes a file: nothing of it can be executed any more.
func (j *Judge) End(c Claim) Verdict {
	j.mu.Lock()
	defer j.mu.Unlock()
	f := j.file
	j.check(c)
	v := Verdict{Commands: len(f.commands)}
	v.HeightMM, v.TruthMM = f.HeightMM(c.Done), f.HeightMM(j.sure())
	if v.HeightMM > v.TruthMM {
		j.breaks("a height of %.2f mm was said to be complete, %.2f mm is", v.HeightMM, v.TruthMM)
	}
	// The same by what the machine did, without the file: rounding apart.
	if j.counts.Replaced == 0 && v.HeightMM > j.topMM+0.001 {
		j.breaks("a height of %.2f mm was said to be complete, the nozzle laid nothing above %.2f mm", v.HeightMM, j.topMM)
	}
	switch {
	case c.Finished:
		j.judgeFinished(c)
	case c.Cause == "":
		j.breaks("the stream is over, did not finish, and no cause is named")
	}
	v.Counts = j.counts
	v.Executed = int64(j.at)
	v.Violations = j.broken
	v.Notes = j.undone
	j.file = nil
	return v
}

// judgeFinished holds a finished file against the trace. Damage that no checksum
// shows is accounted for by the injector and no violation; everything else that
// deviates is.
func (j *Judge) judgeFinished(c Claim) {
	n := len(j.file.commands)
	lost := min(j.open+j.numbered(), n-j.at) // the last ones
	j.counts.Replaced += int64(lost)
	if left := n - j.at - lost; left > 0 {
		j.breaks("finished, but the last %d of %d commands were not executed", left, n)
	}
	if c.Done != int64(n) {
		j.breaks("finished with %d commands done of %d", c.Done, n)
	}
	if k := &j.counts; k.Strays+k.Repeats+k.Gaps+k.Foreign > 0 {
		j.breaks("finished, but not as the file says: %d commands ran again, %d were left out, %d strangers, %d strays: %q",
			k.Repeats, k.Gaps, k.Foreign, k.Strays, j.undone)
	}
}
