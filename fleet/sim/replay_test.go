package sim

import (
	"bufio"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A recording is a true conversation with a running firmware (testdata/link):
// `> ` the host's line, `< ` the firmware's, `! ` an event at the device, `@ ` the
// seconds since the case began. Here the host's side is played to the virtual
// printer, each line no sooner than it was sent and no sooner than what had
// come before it; what comes back must be what the firmware sent.
type recorded struct {
	at   time.Duration
	kind byte
	text string
	line int
}

type recording struct {
	name  string
	steps []recorded
	baud  int
	full  bool
}

func readRecording(tb testing.TB, name string) recording {
	tb.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "link", name+".txt"))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	r := recording{name: name}
	var at time.Duration
	s := bufio.NewScanner(f)
	noEnd := false
	for n := 1; s.Scan(); n++ {
		l := s.Text()
		if l == "" {
			continue
		}
		rest := ""
		if len(l) > 2 {
			rest = unescape(l[2:])
		}
		switch l[0] {
		case '@':
			sec, err := strconv.ParseFloat(rest, 64)
			if err != nil {
				tb.Fatalf("%s:%d: %v", name, n, err)
			}
			at = time.Duration(sec * 1e9)
		case '#':
			noEnd = l == "# (no line end)"
			if strings.Contains(l, "at 115200 baud") {
				r.baud = 115200
			}
		case '>':
			if !noEnd {
				rest += "\n"
			}
			noEnd = false
			fallthrough
		case '<', '!':
			r.steps = append(r.steps, recorded{at, l[0], rest, n})
		}
	}
	r.full = strings.HasPrefix(name, "af-")
	if strings.HasSuffix(name, "-burst") {
		// The line before the damaged one went out in one breath with it; the
		// answers that the host read meanwhile belong to earlier ones.
		for i, s := range r.steps {
			if s.kind == '!' && i > 0 && r.steps[i-1].kind == '<' {
				j := i - 1
				for r.steps[j].kind == '<' {
					j--
				}
				sent := r.steps[j]
				copy(r.steps[j:i-1], r.steps[j+1:i])
				r.steps[i-1] = sent
			}
		}
	}
	return r
}

func unescape(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) && s[i+1] == 'x' {
			if v, err := strconv.ParseUint(s[i+2:i+4], 16, 8); err == nil {
				b.WriteByte(byte(v))
				i += 3
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// replayCase says what must be done before a recording and how near is near.
type replayCase struct {
	name    string
	before  []string // sent and done before the case begins
	posMM   float64  // how far a reported position may differ
	slack   float64  // share by which waits for heat may differ
	timeS   float64  // how far the time of a reply may differ, seconds; 0 is 0.25
	untimed bool     // the times are not compared
	slots   int      // by how much free planner slots may differ
	breaths bool     // how many lines came in one breath is not known: no comparison of free queue slots
}

var (
	temps    = regexp.MustCompile(`(T|B):-?[0-9.]+ `)
	tempsE   = regexp.MustCompile(`(T|B|T\[0\]):-?[0-9.]+/`)
	duties   = regexp.MustCompile(` @:\d+ B@:\d+`)
	liveStep = regexp.MustCompile(`Count X:-?\d+ Y:-?\d+ Z:-?\d+`)
	numbers  = regexp.MustCompile(`-?\d+\.\d+`)
)

// unasked says whether a line comes by itself; such lines are counted, not
// placed.
func unasked(l string) string {
	switch {
	case strings.HasPrefix(l, " T:") && strings.Contains(l, "W:?"):
		return "W:?"
	case strings.HasPrefix(l, " T:") && strings.Contains(l, "W:"):
		return "W:n"
	case strings.HasPrefix(l, " T:"):
		return "report"
	case strings.HasPrefix(l, "echo:busy:"):
		return l
	case l == "wait", l == "Waiting for target temp":
		return l
	}
	return ""
}

func level(l string) string {
	l = temps.ReplaceAllString(l, "$1:# ")
	l = tempsE.ReplaceAllString(l, "$1:#/")
	return duties.ReplaceAllString(l, " @:# B@:#")
}

// samePosition compares two lines whose numbers may differ a little.
func samePosition(a, b string, mm float64) bool {
	if mm == 0 || numbers.ReplaceAllString(liveStep.ReplaceAllString(a, ""), "#") != numbers.ReplaceAllString(liveStep.ReplaceAllString(b, ""), "#") {
		return false
	}
	x, y := numbers.FindAllString(a, -1), numbers.FindAllString(b, -1)
	for i := range x {
		p, _ := strconv.ParseFloat(x[i], 64)
		q, _ := strconv.ParseFloat(y[i], 64)
		if p-q > mm || q-p > mm {
			return false
		}
	}
	return true
}

var (
	queueFree   = regexp.MustCompile(` B\d+$`)
	plannerFree = regexp.MustCompile(` P(\d+)`)
)

func plannerNear(a, b string, by int) bool {
	p, q := plannerFree.FindStringSubmatch(a), plannerFree.FindStringSubmatch(b)
	if p == nil || q == nil || plannerFree.ReplaceAllString(a, "") != plannerFree.ReplaceAllString(b, "") {
		return false
	}
	x, _ := strconv.Atoi(p[1])
	y, _ := strconv.Atoi(q[1])
	return x-y >= -by && x-y <= by
}

type cameAt struct {
	at   time.Duration
	text string
}

func (c replayCase) run(t *testing.T) {
	r := readRecording(t, c.name)
	o := Options{Family: Family(c.name[:1]), AllOptions: r.full, Baud: r.baud}
	h := talk(t, o)
	defer h.close()

	var came []cameAt
	asked := 0 // answers among them
	start := time.Now()
	collect := func() {
		synctest.Wait()
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, l := range h.lines {
			came = append(came, cameAt{time.Since(start), l})
			if c.unasked(l) == "" {
				asked++
			}
		}
		h.lines = nil
	}

	if len(r.steps) > 0 && r.steps[0].text == "start" {
		start = time.Now()
	} else {
		h.heard(100 * time.Millisecond)
		for _, l := range c.before {
			h.send(l + "\n")
		}
		if len(c.before) > 0 {
			for range 10000 {
				time.Sleep(100 * time.Millisecond)
				synctest.Wait()
				h.mu.Lock()
				done := len(h.lines) > 0 && strings.HasSuffix(h.lines[len(h.lines)-1], "ready\r") || strings.Contains(strings.Join(h.lines, "\n"), "ready")
				h.mu.Unlock()
				if done {
					break
				}
			}
			h.heard(0)
		}
		start = time.Now()
	}
	if len(c.before) > 0 {
		start = start.Add(-r.steps[0].at)
	}

	want := 0
	// Fine where the host acts, coarse in long waits.
	tick := func(next time.Duration) time.Duration {
		if d := next - time.Since(start); c.slack == 0 && d < 100*time.Millisecond && d > -time.Second {
			return 500 * time.Microsecond
		}
		return 10 * time.Millisecond
	}
	for i := 0; i < len(r.steps); i++ {
		s := r.steps[i]
		if s.kind == '<' {
			if c.unasked(s.text) == "" {
				want++
			}
			continue
		}
		// Lines that the host sent in one breath arrive in one.
		for s.kind == '>' && i+1 < len(r.steps) && r.steps[i+1].at == s.at {
			if r.steps[i+1].kind == '>' {
				s.text += r.steps[i+1].text
			} else if !strings.Contains(r.steps[i+1].text, "damaged") {
				break
			}
			i++
		}
		for limit := s.at + 400*time.Second; (time.Since(start) < s.at || asked < want) && time.Since(start) < limit; {
			time.Sleep(tick(s.at))
			collect()
			if c.slack == 0 && time.Since(start) > s.at+30*time.Second {
				break
			}
		}
		if asked < want {
			break
		}
		if s.kind == '>' {
			h.send(s.text)
			continue
		}
		h.event(s.text)
	}
	last := r.steps[len(r.steps)-1].at
	for (time.Since(start) < last+time.Millisecond || asked < want) && time.Since(start) < last+400*time.Second {
		time.Sleep(tick(last))
		collect()
		if c.slack == 0 && time.Since(start) > last+30*time.Second {
			break
		}
	}
	c.compare(t, r, came)
}

// event does at the virtual printer what was done to the board.
func (h *talker) event(text string) {
	switch text {
	case "board reset":
		h.p.Reset()
	case "filament out at the sensor":
		h.p.SetFilament(false)
	case "new filament at the sensor":
		h.p.SetFilament(true)
	case "nozzle heater cut":
		h.p.Break(NozzleHeater, Dead)
	case "bed heater cut":
		h.p.Break(BedHeater, Dead)
	case "nozzle sensor open":
		h.p.Break(NozzleHeater, SensorOpen)
	case "nozzle sensor short":
		h.p.Break(NozzleHeater, SensorShort)
	case "bed sensor open":
		h.p.Break(BedHeater, SensorOpen)
	default:
		if !strings.Contains(text, "damaged on the way") && !strings.Contains(text, "overflows") {
			h.t.Fatalf("event %q is not known here", text)
		}
	}
}

// unasked is what comes by itself in this recording.
func (c replayCase) unasked(l string) string {
	if c.name == "e-10-reset" && strings.HasPrefix(l, "T:") {
		return "report" // and one answer, which looks the same
	}
	return unasked(l)
}

func (c replayCase) compare(t *testing.T, r recording, came []cameAt) {
	t.Helper()
	tolerance := c.timeS
	if tolerance == 0 {
		tolerance = 0.25
	}
	got := map[string]int{}
	want := map[string]int{}
	var answers []cameAt
	for _, a := range came {
		if u := c.unasked(a.text); u != "" {
			got[u]++
		} else {
			answers = append(answers, a)
		}
	}
	i := 0
	lastSent := ""
	bad := 0
	for _, s := range r.steps {
		switch {
		case s.kind == '>':
			lastSent = s.text
		case s.kind != '<':
		case c.unasked(s.text) != "":
			want[c.unasked(s.text)]++
		default:
			if i >= len(answers) {
				t.Errorf("%s:%d: %q (behind %q) did not come", r.name, s.line, s.text, lastSent)
				return
			}
			a := answers[i]
			i++
			x, y := level(s.text), level(a.text)
			if c.breaths {
				x, y = queueFree.ReplaceAllString(x, " B#"), queueFree.ReplaceAllString(y, " B#")
			}
			if c.slots > 0 && plannerNear(x, y, c.slots) {
				y = x
			}
			if strings.HasPrefix(lastSent, "G92") {
				x, y = liveStep.ReplaceAllString(x, ""), liveStep.ReplaceAllString(y, "")
			}
			late := (a.at - s.at).Seconds()
			switch {
			case x != y && !samePosition(x, y, c.posMM):
				t.Errorf("%s:%d: behind %q came %q, recorded %q", r.name, s.line, lastSent, a.text, s.text)
				if bad++; bad > 5 {
					return
				}
			case !c.untimed && (late > tolerance || late < -tolerance):
				t.Errorf("%s:%d: %q came at %.3f, recorded %.3f", r.name, s.line, s.text, a.at.Seconds(), s.at.Seconds())
				if bad++; bad > 5 {
					return
				}
			}
		}
	}
	for _, a := range answers[i:] {
		t.Errorf("%s: %q at %.3f s was not recorded", r.name, a.text, a.at.Seconds())
	}
	for u, n := range want {
		d := got[u] - n
		if d < 0 {
			d = -d
		}
		if float64(d) > 2.5+c.slack*float64(n)+0.02*float64(n) {
			t.Errorf("%s: %d lines %q came, recorded %d", r.name, got[u], u, n)
		}
	}
	for u, n := range got {
		if want[u] == 0 && n > 1 {
			t.Errorf("%s: %d lines %q came, recorded none", r.name, n, u)
		}
	}
}

func TestReplay(t *testing.T) {
	for _, c := range replays {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, c.run)
		})
	}
}

// Each conversation in the store is played.
func TestEveryRecordingIsPlayed(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "link", "*.txt"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	played := map[string]bool{}
	for _, c := range replays {
		played[c.name+".txt"] = true
	}
	for _, f := range files {
		if !played[filepath.Base(f)] {
			t.Errorf("%s is not played", filepath.Base(f))
		}
	}
}

var hot = []string{"G28", "M109 S200", "M83", "G1 X20 Y20 Z10 F6000", "M400", "M118 ready"}

var replays = func() []replayCase {
	list := []replayCase{
		{name: "a-08-m410", posMM: 1, timeS: 1.2},
		{name: "af-08-m410", posMM: 1, timeS: 1.2},
		{name: "a-14-position", posMM: 1},
		{name: "af-14-position", posMM: 1},
		{name: "a-05-heat", slack: 0.2, untimed: true},
		{name: "af-05-heat", slack: 0.2, untimed: true},
		{name: "af-07-runout", before: hot, timeS: 3, slack: 0.1},
		{name: "af-07-runout-full", before: hot, breaths: true, timeS: 3, slack: 0.1},
		{name: "af-07-m600", before: hot, timeS: 6, slack: 0.1},
	}
	for _, f := range []string{"a", "af"} {
		for _, n := range []string{"01-boot", "02-numbers", "03-flip", "03-byte", "03-line", "03-eol", "03-head", "03-two",
			"04-lostok", "06-long", "07-m0", "08-m112-full-queue",
			"08-m112-room", "10-reset", "12-overflow-num", "12-overflow-plain"} {
			list = append(list, replayCase{name: f + "-" + n})
		}
		list = append(list,
			replayCase{name: f + "-03-flip-burst", breaths: true},
			replayCase{name: f + "-03-line-burst", breaths: true},
			replayCase{name: f + "-03-single", slots: 1},
			replayCase{name: f + "-11-refusals", slots: 15, timeS: 0.5},
			replayCase{name: f + "-08-m108-heat", slack: 0.1},
			replayCase{name: f + "-09-hold", timeS: 2, before: []string{"M109 S200", "M155 S2", "G4 S60", "M118 ready"}, slack: 0.1},
			replayCase{name: f + "-09-heat", timeS: 2, slack: 0.1},
			replayCase{name: f + "-09-open", before: []string{"M109 S200", "M155 S2", "G4 S60", "M118 ready"}, slack: 0.1},
			replayCase{name: f + "-09-short", before: []string{"M109 S200", "M155 S2", "G4 S60", "M118 ready"}, slack: 0.1},
			replayCase{name: f + "-09-bedhold", timeS: 15, before: []string{"M190 S60", "M155 S5", "G4 S60", "M118 ready"}, slack: 0.4},
			replayCase{name: f + "-09-bedopen", slack: 0.1},
			replayCase{name: f + "-09-coldopen", slack: 0.1})
	}
	for _, n := range []string{"01-boot", "02-numbers", "03-byte", "03-eol", "03-flip", "03-head", "03-line", "03-single",
		"03-two", "04-lostok", "05-heat", "06-long", "08-m112", "10-reset", "11-refusals", "14-position"} {
		c := replayCase{name: "e-" + n}
		switch n {
		case "06-long", "11-refusals", "14-position", "08-m112":
			c.posMM, c.timeS = 20, 2 // its ramps are drawn straight here
		}
		list = append(list, c)
	}
	list = append(list, replayCase{name: "af-13-window"}, replayCase{name: "af-13-single"})
	return list
}()
