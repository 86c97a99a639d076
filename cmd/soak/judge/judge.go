package judge

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
)

// Judge follows one connection: files are streamed over it one after the other.
// Its methods may be called from any goroutine.
type Judge struct {
	mu   sync.Mutex
	line []byte
	told int64
	trial
}

// trial is one file.
type trial struct {
	file    *File
	at      int // commands of the file executed, in order
	gapAt   int // the same when the first one was left out, -1: none was
	open    int // damaged lines that may stand in the place of one of the file
	taints  []taint
	undone  []string // what deviates, in words
	counts  Counts
	topMM   float64 // highest Z at which filament was laid, by the trace
	lastE   float64
	claimed int64
	above   bool     // a claim was above the truth
	broken  []string // claims that were not true when they were made
}

// taint is a damaged line that the injector saw the firmware take.
type taint struct {
	number int64 // -1: it bore none
	text   string
}

// Counts are what happened to the file in hand.
type Counts struct {
	Executed int64 // commands of the file
	Own      int64 // commands of the link's own
	Noise    int64 // damaged lines without a number that have no effect
	Replaced int64 // commands of the file that ran damaged, with a checksum that fits
	Strays   int64 // damaged lines without a number that have an effect
	Repeats  int64 // commands of the file that ran again
	Gaps     int64 // commands of the file that were left out
	Foreign  int64 // commands that are not in the file and that nobody accounts for
	// Undetectable lines were damaged and bore a checksum that fits, by the
	// injector's own account, and were not what stands in the file.
	Undetectable int64
	// Unverified lines ran without number and checksum, by the injector's own account.
	Unverified int64
}

// Deviates says whether anything but the file was executed.
func (c Counts) Deviates() bool {
	return c.Replaced+c.Strays+c.Repeats+c.Gaps+c.Foreign > 0
}

// Begin starts with a file.
func (j *Judge) Begin(f *File) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.trial = trial{file: f, gapAt: -1}
}

const (
	lookBack  = 64  // commands that a repeat may go back
	lookAhead = 256 // commands that may be missing before the next one that is known
)

// Executed takes one command that the firmware executed. end is X Y Z E behind
// it as the commands count, in mm.
func (j *Judge) Executed(number int64, text []byte, move bool, end [4]float64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.file == nil {
		return
	}
	j.line = canonical(j.line[:0], text)
	c := j.line
	switch {
	case move:
		if end[3] > j.lastE && bytes.ContainsAny(c, "XY") {
			j.topMM = max(j.topMM, end[2])
		}
		j.lastE = end[3]
	case bytes.HasPrefix(c, []byte("G92")):
		j.lastE = end[3] // counted anew
	}
	cmds := j.file.commands
	if j.at < len(cmds) && bytes.Equal(c, cmds[j.at]) {
		j.open = 0
		j.at++
		j.unharmed(number)
		return
	}
	if own(c, j.at >= len(cmds)) {
		j.counts.Own++
		return
	}
	for k := 1; k <= j.open && j.at+k < len(cmds); k++ {
		if bytes.Equal(c, cmds[j.at+k]) {
			j.counts.Replaced += int64(k)
			j.at += k + 1
			j.open = 0
			return
		}
	}
	if j.tainted(number, text) {
		return
	}
	for k := j.at - 1; k >= 0 && k >= j.at-lookBack; k-- {
		if bytes.Equal(c, cmds[k]) {
			j.counts.Repeats++
			j.note("command %d of the file, %q, ran again after command %d (line number %d)", k+1, text, j.at, number)
			return
		}
	}
	for k := j.at + 1; k < len(cmds) && k <= j.at+lookAhead; k++ {
		if bytes.Equal(c, cmds[k]) {
			if j.swallowed(k - j.at - j.open) { // open ones stand in the place of as many
				j.counts.Replaced += int64(j.open)
				j.at, j.open = k+1, 0
				return
			}
			j.counts.Gaps += int64(k - j.at)
			j.note("commands %d to %d of the file were left out, the first is %q", j.at+1, k, cmds[j.at])
			if j.gapAt < 0 {
				j.gapAt = j.at
			}
			j.at = k + 1
			return
		}
	}
	if !effect(text) {
		j.counts.Noise++
		return
	}
	j.counts.Foreign++
	j.note("%q (line number %d) is not the file's next command, %q", text, number, j.next())
}

func (j *Judge) next() string {
	if j.at < len(j.file.commands) {
		return string(j.file.commands[j.at])
	}
	return "none"
}

// unharmed takes back what the injector told of a line that ran as it stands in
// the file: what it counted as damage left the command whole.
func (j *Judge) unharmed(number int64) {
	for i, t := range j.taints {
		if t.number != number || number < 0 {
			continue
		}
		j.counts.Undetectable--
		j.taints = append(j.taints[:i], j.taints[i+1:]...)
		return
	}
}

// swallowed says that the injector accounts for so many commands that are
// missing: damage that no checksum shows has made nothing of them.
func (j *Judge) swallowed(n int) bool {
	if j.numbered() < n {
		return false
	}
	j.counts.Replaced += int64(n)
	j.note("%d commands behind command %d of the file were damaged until nothing was left of them, and no checksum shows it", n, j.at+j.open)
	left := j.taints[:0]
	for _, t := range j.taints {
		if t.number >= 0 && n > 0 {
			n--
			continue
		}
		left = append(left, t)
	}
	j.taints = left
	return true
}

// numbered is how many damaged lines with a checksum that fits were taken and
// are not seen to be executed.
func (j *Judge) numbered() int {
	n := 0
	for _, t := range j.taints {
		if t.number >= 0 {
			n++
		}
	}
	return n
}

// tainted says that the injector accounts for the line.
func (j *Judge) tainted(number int64, text []byte) bool {
	for i, t := range j.taints {
		// Firmware may read less of a damaged line than arrived.
		if t.number != number || number < 0 && !strings.HasPrefix(strings.TrimSpace(t.text), string(bytes.TrimSpace(text))) {
			continue
		}
		j.taints = append(j.taints[:i], j.taints[i+1:]...)
		switch {
		case number >= 0:
			j.open++
			j.note("a damaged line that no checksum shows: N%d %q, in the place of %q or of a line of the link's own", number, text, j.next())
			if j.joined(text) {
				j.open++
				j.note("the line's end was damaged, too: it holds the rest of %q", j.file.commands[j.at+1])
			}
		case j.at > 0 && repeats(text, j.file.commands[max(0, j.at-lookBack):j.at]):
			j.counts.Repeats++
			j.note("%q ran again without its number", text)
		case effect(text):
			j.counts.Strays++
			j.note("a damaged line without its number ran: %q", text)
		default:
			j.counts.Noise++
		}
		return true
	}
	return false
}

// joined says that a damaged line holds the rest of the command after the one in
// whose place it stands: a burst took the line end between them, and the machine
// went where both lead.
func (j *Judge) joined(text []byte) bool {
	const rest = 8 // bytes that do not agree by chance
	cmds := j.file.commands
	if j.at+1 >= len(cmds) || len(cmds[j.at+1]) < rest {
		return false
	}
	next := cmds[j.at+1]
	return bytes.HasSuffix(canonical(nil, text), next[len(next)-rest:])
}

func repeats(text []byte, cmds [][]byte) bool {
	c := canonical(nil, text)
	for _, x := range cmds {
		if bytes.Equal(c, x) {
			return true
		}
	}
	return false
}

// note keeps what deviates, in words.
func (j *Judge) note(format string, args ...any) {
	if len(j.undone) < 12 {
		j.undone = append(j.undone, fmt.Sprintf(format, args...))
	}
}

// The words of the injector, with the line behind them: one that bore a number
// and a checksum that fits, and one that bore none.
const (
	undetectable = "damage taken for a right line: "
	unverified   = "a damaged line without its number: "
)

// Event takes what the injector says of a line that it damaged and that the
// firmware took all the same.
func (j *Judge) Event(text string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	t := taint{number: -1}
	var err error
	switch {
	case strings.HasPrefix(text, undetectable):
		j.counts.Undetectable++
		_, err = fmt.Sscanf(text[len(undetectable):], "N%d %q", &t.number, &t.text)
	case strings.HasPrefix(text, unverified):
		j.counts.Unverified++
		_, err = fmt.Sscanf(text[len(unverified):], "%q", &t.text)
	default:
		return
	}
	if err != nil {
		j.breaks("an event that the judge cannot read: %q", text)
	}
	j.told++
	j.taints = append(j.taints, t)
}

// Told is how many events of damaged lines that ran there were on the connection.
func (j *Judge) Told() int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.told
}

// own says whether a command is one that a link sends for itself. Files under
// judgement hold none of them; those that empty the planner may come at the end
// of a file only.
func own(c []byte, atEnd bool) bool {
	switch string(c) {
	case "M105", "M114", "M115", "M503", "M211", "M400", "G4P1", "M108", "M876S1", "M112":
		return true
	}
	return bytes.HasPrefix(c, []byte("M110")) || bytes.HasPrefix(c, []byte("M155"))
}

// effect says whether firmware does anything at such a line: move, count
// differently, heat, wait.
func effect(text []byte) bool {
	c := bytes.TrimLeft(text, " ")
	if len(c) < 2 || c[1] < '0' || c[1] > '9' {
		return false
	}
	if own(canonical(nil, text), true) {
		return false
	}
	return c[0] == 'G' || c[0] == 'M' || c[0] == 'T'
}
