package link

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// started is a rig with a stream under way.
func started(t *testing.T, mo modelOptions, o Options, lines []string) *rig {
	t.Helper()
	r := newRig(o, mo, 1)
	r.trace = &strings.Builder{}
	if !r.open() {
		t.Fatalf("did not open: %+v\n%s", r.e.fault, r.trace)
	}
	if err := r.e.stream(r.now, &sliceSource{lines: lines}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(tail(strings.Join(slices.DeleteFunc(strings.SplitAfter(r.trace.String(), "\n"), func(l string) bool { return strings.Contains(l, "< \" T:") || strings.Contains(l, "busy:") }), ""), 40))
		}
	})
	return r
}

// Firmware that acknowledges on receipt and has no emergency parser lets a host
// fill its queue, and reads an M112 only behind it. Nothing shows how full it is.
// So there is at most one line between the queue and an M112: it gets in when the
// second command after it is handled, not at once, and until then nothing
// confirms it.
func TestEmergencyStopOnReceiptWaitsForTheQueue(t *testing.T) {
	lines := append([]string{"G28", "G91", "G1 X100 F600"}, moves(60)[3:]...)
	for i := range lines[3:] {
		lines[3+i] = "G1 X20 F240" // 5 s each
	}
	r := started(t, modelOptions{receipt: true}, Options{}, lines)
	most := int64(0)
	r.until(5*time.Minute, func() bool { return r.e.accepted > 5 })
	r.check = func() { most = max(most, r.e.cursor-r.e.acked) }
	r.until(5*time.Minute, func() bool { return r.e.accepted > 20 })
	r.until(3*time.Second, func() bool { return false })
	r.e.stop(r.now)
	r.until(1500*time.Millisecond, func() bool { return r.e.stopSeen })
	if r.e.stopSeen {
		t.Error("it was confirmed at once, behind a full queue")
	}
	r.until(20*time.Second, func() bool { return r.m.dead })
	if !r.m.dead || most > 1 {
		t.Errorf("halted %v, up to %d lines in front of the stop", r.m.dead, most)
	}
}

func (r *rig) over() bool { return r.e.phase == Idle || r.e.phase == Failed }

func moves(n int) []string {
	out := []string{"G28", "G91", "G1 F600"}
	for i := range n {
		out = append(out, fmt.Sprintf("G1 X%d Y1", 1+i%2))
	}
	return out
}

func wantFault(t *testing.T, r *rig, c Cause) {
	t.Helper()
	if r.e.phase != Failed || r.e.fault.Cause != c {
		t.Fatalf("phase %s fault %+v, want %s", r.e.phase, r.e.fault, c)
	}
}

func wantFinished(t *testing.T, r *rig, lines []string) {
	t.Helper()
	if r.e.phase != Idle || !r.e.finished {
		t.Fatalf("phase %s fault %+v", r.e.phase, r.e.fault)
	}
	if got := sourceOnly(r.m.handled, 0); !slices.Equal(got, lines) {
		t.Fatal(diff(got, lines))
	}
	if r.e.bound.done != int64(len(lines)) {
		t.Fatalf("Done is %d of %d", r.e.bound.done, len(lines))
	}
}

func TestOpeningLearnsTheFirmware(t *testing.T) {
	for name, c := range map[string]struct {
		mo      modelOptions
		checks  bool
		window  int
		emerges bool
	}{
		"plain":    {modelOptions{}, true, 120, false},
		"parser":   {modelOptions{advanced: true, parser: true}, true, 120, true},
		"careless": {modelOptions{careless: true}, false, 0, false},
		"receipt":  {modelOptions{receipt: true}, true, 120, false},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(Options{}, c.mo, 1)
			if !r.open() {
				t.Fatal(r.e.fault)
			}
			if r.e.checks != c.checks || r.e.window != c.window || r.e.emergency != c.emerges {
				t.Errorf("checks %v window %d parser %v", r.e.checks, r.e.window, r.e.emergency)
			}
			s := r.e.state(r.now)
			if s.Identity.Firmware != "Firmware" || s.Identity.Extruders != 1 || !s.Identity.Caps["AUTOREPORT_TEMP"] {
				t.Errorf("%+v", s.Identity)
			}
			if len(s.Heaters) != 2 || s.Heaters[0].Name != "T0" {
				t.Errorf("%+v", s.Heaters)
			}
			if c.checks && !slices.Contains(s.Identity.Settings, "echo:  M203 X300.00 Y300.00 Z5.00 E25.00") {
				t.Errorf("settings %q", s.Identity.Settings)
			}
			for _, n := range r.e.notices {
				t.Errorf("the opening left a notice: %q", n.Text)
			}
		})
	}
}

// Opening a port resets many boards: the boot text comes before the first word.
func TestOpeningWaitsForBootText(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	r.until(time.Second, func() bool { return r.now.Sub(epoch) > 700*time.Millisecond })
	r.m.boot()
	if !r.open() || r.e.boots != 1 {
		t.Fatalf("boots %d fault %+v", r.e.boots, r.e.fault)
	}
}

// A board that boots late, after the first word was said to its boot loader.
func TestOpeningStartsAgainAfterLateBoot(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	r.m.mute = true
	r.until(6*time.Second, func() bool { return r.now.Sub(epoch) > 4*time.Second })
	r.m.mute = false
	r.m.boot()
	if !r.open() || r.e.boots != 1 {
		t.Fatalf("boots %d fault %+v", r.e.boots, r.e.fault)
	}
}

// A firmware that was running already has old line numbers: M110 sets them.
func TestOpeningOntoRunningFirmware(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	r.m.last = 48211
	r.m.part = []byte("N48212 G1 X1 Y") // and the torn line of the host before us
	if !r.open() {
		t.Fatalf("%+v", r.e.fault)
	}
	if r.m.last < firstNumber || r.m.last > 100 {
		t.Errorf("the firmware counts from %d", r.m.last)
	}
}

// A heat-and-wait that somebody else began holds our first line back.
func TestOpeningOntoBusyFirmware(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	for _, c := range []byte("M109 S200\n") {
		r.m.take(c)
	}
	if !r.open() {
		t.Fatalf("%+v", r.e.fault)
	}
	if took := r.now.Sub(epoch); took < 29*time.Second {
		t.Errorf("open after %v, while the firmware was busy for 30 s", took)
	}
}

func TestOpeningGivesUpOnSilence(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	r.m.mute = true
	r.until(2*time.Minute, r.over)
	wantFault(t, r, CauseSilent)
}

// a-10-reset: the board resets in mid-stream; A then asks for line 1, E goes on
// from a wrong zero. Neither is given another line.
func TestRebootInMidStream(t *testing.T) {
	for name, mo := range families {
		t.Run(name, func(t *testing.T) {
			r := started(t, mo, Options{}, moves(400))
			r.until(time.Minute, func() bool { return r.e.accepted > 100 })
			n := len(r.m.handled)
			r.m.boot()
			r.until(time.Minute, r.over)
			wantFault(t, r, CauseRebooted)
			r.until(5*time.Second, func() bool { return false })
			for _, h := range r.m.handled[n:] {
				if !isOwn(h) && !strings.HasPrefix(h, "G1") {
					t.Errorf("after the reset it ran %q", h)
				}
			}
			if got := len(sourceOnly(r.m.handled, n)); mo.careless && got > 1 || !mo.careless && got > 0 {
				t.Errorf("%d commands ran after the reset", got)
			}
		})
	}
}

// The boot text is lost: the request for line 1 tells, and line 1 is not given.
func TestRebootUnseen(t *testing.T) {
	r := started(t, modelOptions{}, Options{}, moves(400))
	r.until(time.Minute, func() bool { return r.e.accepted > 100 })
	r.fault.onReply = func(line []byte) []byte {
		if bytes.HasPrefix(line, []byte("start")) {
			return nil
		}
		return line
	}
	n := len(r.m.handled)
	r.m.boot()
	r.until(time.Minute, r.over)
	wantFault(t, r, CauseRebooted)
	if got := sourceOnly(r.m.handled, n); len(got) > 0 {
		t.Errorf("after the reset it ran %q", got)
	}
}

func TestBootWhenIdleOpensAgain(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	if !r.open() {
		t.Fatal(r.e.fault)
	}
	r.m.boot()
	r.until(5*time.Second, func() bool { return r.e.phase == Opening })
	if !r.open() || r.e.boots != 1 {
		t.Fatalf("%+v boots %d", r.e.fault, r.e.boots)
	}
}

func TestSilenceInMidStream(t *testing.T) {
	for name, mo := range families {
		t.Run(name, func(t *testing.T) {
			r := started(t, mo, Options{}, moves(400))
			r.until(time.Minute, func() bool { return r.e.accepted > 100 })
			r.m.mute = true
			from := r.now
			r.until(5*time.Minute, r.over)
			wantFault(t, r, CauseSilent)
			if took := r.now.Sub(from); took > 2*time.Minute {
				t.Errorf("found after %v", took)
			}
			if r.e.fault.Line == 0 || !strings.Contains(r.e.fault.Text, "plug") {
				t.Errorf("%+v", r.e.fault)
			}
		})
	}
}

// Slow but healthy: none of these is a fault.
func TestSlowButHealthy(t *testing.T) {
	slow := []string{"G28", "G90", "G1 X1 Y1 F6000"}
	for name, c := range map[string]struct {
		lines []string
		limit time.Duration
	}{
		"a move of 40 minutes":     {append(slices.Clone(slow), "G1 X101 F2.5", "G1 X1 F6000", "G1 X2"), time.Hour},
		"a full planner behind it": {append(append(slices.Clone(slow), "G1 X101 F2.5"), moves(60)[2:]...), 3 * time.Hour},
		"a dwell of 10 minutes":    {append(slices.Clone(slow), "G4 P600000", "G1 X5"), time.Hour},
		"heat and wait":            {append(slices.Clone(slow), "M190 S60", "M109 S200", "G1 X5"), time.Hour},
	} {
		for fam, mo := range families {
			t.Run(name+"/"+fam, func(t *testing.T) {
				if mo.careless {
					mo.noReport = true // silent all along
				}
				lines := slices.Clone(c.lines)
				if mo.careless {
					lines = slices.DeleteFunc(lines, func(l string) bool { return strings.HasPrefix(l, "M1") })
				}
				r := started(t, mo, Options{}, lines)
				if !r.until(c.limit, r.over) {
					t.Fatal("not over")
				}
				if r.e.phase != Idle {
					t.Fatalf("%+v", r.e.fault)
				}
				got := slices.DeleteFunc(slices.Clone(r.m.handled), func(h string) bool { return isOwn(h) && !strings.HasPrefix(h, "G4 P6") })
				if !slices.Equal(got, lines) {
					t.Fatal(diff(got, lines))
				}
			})
		}
	}
}

// a-11-refusals: cold extrusion is acknowledged, and nothing comes out.
func TestColdExtrusionStopsTheRun(t *testing.T) {
	r := started(t, modelOptions{}, Options{}, moves(100))
	r.until(time.Minute, func() bool { return r.e.accepted > 20 })
	r.m.say("echo: cold extrusion prevented")
	r.until(time.Minute, r.over)
	wantFault(t, r, CauseColdExtrusion)
}

// Not every Error is fatal, and these are.
func TestErrorsThatEndTheRun(t *testing.T) {
	for text, want := range map[string]Cause{
		"Error:Printer halted. kill() called!":                       CauseHalted,
		"Error:Thermal Runaway, system stopped! Heater_ID: bed":      CauseThermal,
		"Error:Heating failed, system stopped! Heater_ID: E0":        CauseThermal,
		"Error:MAXTEMP triggered, system stopped! Heater_ID: E0":     CauseThermal,
		"Error:MINTEMP triggered, system stopped! Heater_ID: bed":    CauseThermal,
		"Error:Supervision required":                                 CauseHalted,
		"!! something broke":                                         CauseHalted,
		"fatal: something broke":                                     CauseHalted,
		"Error:G2/G3 bad parameters":                                 "",
		"echo:a message that says halted, kill() and MAXTEMP":        "",
		"Error:Failed to read something harmless from a card":        "",
		"//action:notification MINTEMP is a word in a notification ": "",
	} {
		r := started(t, modelOptions{}, Options{}, moves(100))
		r.until(time.Minute, func() bool { return r.e.accepted > 20 })
		r.m.say("%s", text)
		r.until(5*time.Minute, r.over)
		got := Cause("")
		if r.e.fault != nil {
			got = r.e.fault.Cause
		}
		if got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
		if want != "" && len(r.e.notices) == 0 {
			t.Errorf("%q left no notice", text)
		}
	}
}

// e-05-heat, a-07-m0: unknown commands are acknowledged. Where the print would
// go on cold or without hands, it is stopped; otherwise it is told.
func TestUnknownCommands(t *testing.T) {
	for name, c := range map[string]struct {
		mo   modelOptions
		line string
		stop bool
	}{
		"no M109":      {modelOptions{careless: true, unknown: []string{"M109"}}, "M109 S200", true},
		"no M190":      {modelOptions{careless: true, unknown: []string{"M190"}}, "M190 S60", true},
		"no M0":        {modelOptions{unknown: []string{"M0"}}, "M0 Click me", true},
		"no M600":      {modelOptions{advanced: true, unknown: []string{"M600"}}, "M600", true},
		"no M25":       {modelOptions{unknown: []string{"M25"}}, "M25", true},
		"no M900":      {modelOptions{unknown: []string{"M900"}}, "M900 K0.05", false},
		"no M73 on e":  {modelOptions{careless: true, unknown: []string{"M73"}}, "M73 P5", false},
		"no G29 probe": {modelOptions{unknown: []string{"G29"}}, "G29", false},
	} {
		t.Run(name, func(t *testing.T) {
			lines := append(append(moves(30), c.line), moves(30)[3:]...)
			r := started(t, c.mo, Options{}, lines)
			r.until(10*time.Minute, r.over)
			if c.stop {
				wantFault(t, r, CauseRefused)
				if r.e.fault.Line != 34 {
					t.Errorf("line %d, want 34: %s", r.e.fault.Line, r.e.fault.Text)
				}
				return
			}
			if r.e.phase != Idle || !r.e.finished {
				t.Fatalf("%+v", r.e.fault)
			}
			if len(r.e.notices) == 0 {
				t.Error("nobody was told")
			}
		})
	}
}

// a-02-numbers: the text M110 in a numbered line sets the number, in a message
// too; M112 anywhere could halt the machine.
func TestReservedWords(t *testing.T) {
	for line, stop := range map[string]bool{
		"M117 see M110":        false,
		"M118 M112 is written": false,
		"M110 N5":              true,
		"M112":                 true,
	} {
		r := started(t, modelOptions{}, Options{}, append(moves(10), line, "G1 X1"))
		r.until(10*time.Minute, r.over)
		if stop {
			wantFault(t, r, CauseUnsendable)
			continue
		}
		if r.e.phase != Idle || !r.e.finished {
			t.Errorf("%q: %+v", line, r.e.fault)
		}
		for _, h := range r.m.handled {
			if strings.Contains(h, "M110") && wordOf(h) != "M110" || strings.Contains(h, "M112") {
				t.Errorf("%q reached the firmware as %q", line, h)
			}
		}
	}
}

// a-02-numbers:189: a numbered line of more than 95 characters is refused for ever.
func TestLongLineIsRefused(t *testing.T) {
	r := started(t, modelOptions{}, Options{}, append(moves(10), "M117 "+strings.Repeat("z", 90), "G1 X1"))
	r.until(10*time.Minute, r.over)
	wantFault(t, r, CauseUnsendable)
	if r.e.fault.Line != 14 {
		t.Errorf("line %d, want 14", r.e.fault.Line)
	}
	for _, l := range strings.Split(r.trace.String(), "\n") {
		if i := strings.Index(l, "> \"N"); i >= 0 && len(l)-i > 95+6 {
			t.Errorf("too long on the wire: %s", l)
		}
	}
}

type brokenSource struct{ n int }

func (b *brokenSource) Next() ([]byte, int64, error) {
	if b.n++; b.n > 20 {
		return nil, 21, errors.New("the disk is gone")
	}
	return []byte("G1 X1"), int64(b.n), nil
}

func TestSourceFails(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	if !r.open() {
		t.Fatal(r.e.fault)
	}
	r.e.stream(r.now, &brokenSource{})
	r.until(time.Minute, r.over)
	wantFault(t, r, CauseSource)
	if r.e.fault.Line != 21 || !strings.Contains(r.e.fault.Text, "the disk is gone") {
		t.Errorf("%+v", r.e.fault)
	}
}

// damage returns a hook that changes the first line that holds the text.
func damage(text string, f func(line []byte) []byte) func(int, []byte) []byte {
	done := false
	return func(_ int, line []byte) []byte {
		if done || !bytes.Contains(line, []byte(text)) {
			return line
		}
		done = true
		return f(line)
	}
}

// a-03-…: one fault in a stream with a window. In each case the moves ran once.
func TestOneFault(t *testing.T) {
	lines := append([]string{"G28", "G91"}, moves(60)[2:]...)
	cut := func(from, to int) func([]byte) []byte {
		return func(l []byte) []byte { return append(slices.Clone(l[:from]), l[to:]...) }
	}
	cases := map[string]func(line []byte) []byte{
		"flip": func(l []byte) []byte { l = slices.Clone(l); l[6] ^= 1; return l },
		"byte": cut(5, 6),
		"line": func([]byte) []byte { return nil },
		"eol":  func(l []byte) []byte { return l[:len(l)-1] },
		"head": cut(0, 4),
		"N":    cut(0, 1),
		"star": func(l []byte) []byte { return bytes.Replace(l, []byte("*"), nil, 1) },
	}
	for fam, mo := range families {
		for name, f := range cases {
			if mo.careless && name == "star" {
				continue // no checksum then: this family runs it
			}
			t.Run(fam+"/"+name, func(t *testing.T) {
				r := started(t, mo, Options{}, lines)
				r.fault.onLine = damage("N40 ", f)
				r.until(10*time.Minute, r.over)
				wantFinished(t, r, lines)
			})
		}
	}
}

// a-03-head, a-03-single:95: a line that lost its number runs unverified, draws
// an ok and is asked for. The position shows that it ran: it is not run twice.
func TestHeadLostLineDoesNotRunTwice(t *testing.T) {
	for _, window := range []int{1, 120} {
		for _, mo := range []modelOptions{{}, {advanced: true, parser: true}} {
			lines := moves(60)
			r := started(t, mo, Options{WindowBytes: window}, lines)
			r.fault.onLine = damage("N40 ", func(l []byte) []byte { return l[4:] })
			r.until(10*time.Minute, r.over)
			wantFinished(t, r, lines)
		}
	}
}

// The same where the position cannot tell: the run stops rather than guess.
func TestHeadLostLineThatShowsNothing(t *testing.T) {
	lines := append(append(moves(30), "M106 S77"), moves(30)[3:]...)
	r := started(t, modelOptions{advanced: true}, Options{}, lines)
	r.fault.onLine = damage("M106 S77", func(l []byte) []byte { return l[bytes.IndexByte(l, ' ')+1:] })
	r.until(10*time.Minute, r.over)
	wantFault(t, r, CauseDesync)
	if r.e.fault.Line != 34 {
		t.Errorf("line %d, want 34", r.e.fault.Line)
	}
}

// a-04-lostok: a lost ok is not cured by saying the line again; the next line or
// a mark shows where the firmware stands.
func TestLostOK(t *testing.T) {
	for fam, mo := range families {
		for _, window := range []int{1, 120} {
			lines := moves(60)
			r := started(t, mo, Options{WindowBytes: window}, lines)
			n := 0
			r.fault.onReply = func(l []byte) []byte {
				if bytes.HasPrefix(l, []byte("ok")) {
					if n++; n == 25 {
						return nil
					}
				}
				return l
			}
			r.until(10*time.Minute, r.over)
			if r.e.phase != Idle {
				t.Fatalf("%s: %+v", fam, r.e.fault)
			}
			wantFinished(t, r, lines)
		}
	}
}

// An ok that nobody asked for must not open the window for good. Where nothing
// but oks can be counted it looks like that of a piece of a torn line, and the
// run ends with no more said to be done than was handled.
func TestDoubledOK(t *testing.T) {
	for _, mo := range families {
		lines := moves(200)
		r := started(t, mo, Options{}, lines)
		r.fault.doubleOK = 0.05
		r.until(30*time.Minute, r.over)
		if !mo.careless {
			wantFinished(t, r, lines)
			continue
		}
		wantFault(t, r, CauseDesync)
		got := sourceOnly(r.m.handled, 0)
		if len(got) > len(lines) || !slices.Equal(got, lines[:len(got)]) || r.e.bound.done > int64(len(got)) {
			t.Errorf("%d said to be done, run were %q", r.e.bound.done, got)
		}
	}
}

// A window never holds more than the buffers take, and leaves room for M112
// where the firmware reads it only at the mouth of its queue.
func TestWindowLeavesRoomForStop(t *testing.T) {
	for _, parser := range []bool{false, true} {
		r := started(t, modelOptions{parser: parser}, Options{}, moves(300))
		most, bytesMost := int64(0), 0
		r.check = func() {
			most = max(most, r.e.cursor-r.e.acked)
			bytesMost = max(bytesMost, r.e.flight)
		}
		r.until(time.Hour, r.over)
		if !parser && most > 3 || bytesMost > 120 {
			t.Errorf("parser %v: up to %d lines and %d bytes ahead", parser, most, bytesMost)
		}
		if parser && most < 4 {
			t.Errorf("only %d lines ahead", most)
		}
	}
}

// af-07-runout-full: a host that has filled queue and receive buffer must still
// be able to answer for the person that the firmware waits for: three answers,
// as a filament change wants that was left alone.
func TestAnswersGetInBehindAFullWindow(t *testing.T) {
	for _, window := range []int{0, 80, 120} {
		lines := append(append(moves(20), "M0", "M0", "M0"), moves(60)[3:]...)
		r := started(t, modelOptions{parser: true}, Options{WindowBytes: window}, lines)
		for range 3 {
			was := r.e.accepted
			if !r.until(5*time.Minute, func() bool { return r.m.running != nil && r.m.running.text == "M0" && r.e.accepted > was }) {
				t.Fatal("it does not wait")
			}
			r.until(10*time.Second, func() bool { return false })
			if _, err := r.e.request(r.now, []byte("M108")); err != nil {
				t.Fatal(err)
			}
			waits := r.m.running
			if !r.until(3*time.Second, func() bool { return r.m.running != waits }) {
				t.Fatalf("window %d: the answer did not get in", window)
			}
		}
		r.until(10*time.Minute, r.over)
		r.m.handled = slices.DeleteFunc(r.m.handled, func(h string) bool { return h == "M108" })
		wantFinished(t, r, lines)
	}
}

// Positions are compared in mid-stream on firmware that acknowledges on receipt
// too, though its answers come behind the ok and other commands print one.
func TestPositionsAreComparedOnReceipt(t *testing.T) {
	lines := spiral(600)
	r := started(t, modelOptions{receipt: true}, Options{AuditEvery: time.Second}, lines)
	r.until(time.Hour, r.over)
	wantFinished(t, r, lines)
	if r.e.audits < 10 {
		t.Errorf("%d audits in %v", r.e.audits, r.now.Sub(epoch))
	}
	lines = moves(400)
	r = started(t, modelOptions{receipt: true}, Options{AuditEvery: time.Second}, lines)
	r.until(time.Hour, func() bool { return r.e.accepted > 100 })
	r.m.pos[0]++ // something ran that was not sent
	r.until(time.Hour, r.over)
	wantFault(t, r, CausePosition)
	if len(r.m.handled) > 300 {
		t.Errorf("it was noticed after %d commands", len(r.m.handled))
	}
}

// The answer to the last query comes behind its ok there: when it is lost the
// query is repeated.
func TestLastAnswerLostOnReceipt(t *testing.T) {
	lines := moves(30)
	r := started(t, modelOptions{receipt: true}, Options{}, lines)
	lost := 0
	r.fault.onReply = func(l []byte) []byte {
		if r.e.ending == 2 && lost < 2 && bytes.HasPrefix(l, []byte("X:")) {
			lost++
			return nil
		}
		return l
	}
	r.until(10*time.Minute, r.over)
	wantFinished(t, r, lines)
	if lost != 2 {
		t.Errorf("%d answers were lost", lost)
	}
}

// a-08-m112-…: whatever is queued, the stop gets in and the halt is seen.
func TestEmergencyStopGetsIn(t *testing.T) {
	for fam, mo := range families {
		if mo.careless || mo.receipt {
			continue // e-08-m112: it answers nothing; on receipt: the next test
		}
		lines := append([]string{"G28", "G91", "G1 X100 F60"}, moves(100)[3:]...)
		r := started(t, mo, Options{}, lines)
		r.until(5*time.Minute, func() bool { return r.e.accepted > 15 && len(r.m.planner) == r.m.opt.slots })
		r.until(3*time.Second, func() bool { return false })
		r.e.stop(r.now)
		r.until(2*time.Second, func() bool { return r.m.dead })
		if !r.m.dead {
			t.Errorf("%s: the firmware was not halted", fam)
		}
		r.until(time.Second, func() bool { return r.e.stopSeen })
		if !r.e.stopSeen {
			t.Errorf("%s: the halt was not seen", fam)
		}
		wantFault(t, r, CauseHalted)
	}
}

// Do in mid-stream: its answer comes back, the counts are not disturbed.
func TestDoInMidStream(t *testing.T) {
	for fam, mo := range families {
		t.Run(fam, func(t *testing.T) {
			lines := moves(200)
			r := started(t, mo, Options{}, lines)
			var asked []*doRequest
			for i := range 12 {
				r.until(time.Minute, func() bool { return r.e.accepted > int64(10+i*12) })
				cmd := []string{"M105", "M114", "M104 S20", "M115"}[i%4]
				d, err := r.e.request(r.now, []byte(cmd))
				if err != nil {
					t.Fatal(err)
				}
				asked = append(asked, d)
			}
			r.until(10*time.Minute, r.over)
			if r.e.phase != Idle || !r.e.finished || r.e.bound.done != int64(len(lines)) {
				t.Fatalf("%+v done %d", r.e.fault, r.e.bound.done)
			}
			got := slices.DeleteFunc(sourceOnly(r.m.handled, 0), func(h string) bool { return h == "M104 S20" })
			if !slices.Equal(got, lines) {
				t.Fatal(diff(got, lines))
			}
			for _, d := range asked {
				want := map[string]string{"M105": "T:2", "M114": "X:", "M104": "", "M115": "FIRMWARE_NAME:"}[string(d.text[:4])]
				if !d.over || d.err != nil || want != "" && (len(d.lines) == 0 || !strings.HasPrefix(d.lines[0], want)) || want == "" && len(d.lines) > 0 {
					t.Errorf("%s: over %v err %v lines %q", d.text, d.over, d.err, d.lines)
				}
			}
		})
	}
}

func TestSuspendResumeAbort(t *testing.T) {
	lines := moves(200)
	r := started(t, modelOptions{}, Options{}, lines)
	r.until(time.Minute, func() bool { return r.e.accepted > 50 })
	r.e.suspend()
	sent := r.e.sent
	r.until(time.Minute, func() bool { return false })
	if r.e.sent != sent || r.e.phase != Suspended || r.e.accepted != sent {
		t.Fatalf("sent %d then %d, accepted %d, %s", sent, r.e.sent, r.e.accepted, r.e.phase)
	}
	d, err := r.e.request(r.now, []byte("M104 S20"))
	if err != nil {
		t.Fatal(err)
	}
	r.until(time.Minute, func() bool { return d.over })
	r.e.resume(r.now)
	r.until(time.Minute, func() bool { return r.e.accepted > 100 })
	r.e.abort(r.now)
	r.until(5*time.Minute, r.over)
	if r.e.phase != Idle || r.e.finished || r.e.bound.done != r.e.sent || r.e.sent < 100 {
		t.Fatalf("%s finished %v done %d sent %d %+v", r.e.phase, r.e.finished, r.e.bound.done, r.e.sent, r.e.fault)
	}
	if err := r.e.stream(r.now, &sliceSource{lines: moves(20)}); err != nil {
		t.Fatal(err)
	}
	r.until(5*time.Minute, r.over)
	if !r.e.finished || r.e.bound.done != 23 {
		t.Fatalf("a second stream: done %d %+v", r.e.bound.done, r.e.fault)
	}
}

func TestStreamRefusals(t *testing.T) {
	r := newRig(Options{}, modelOptions{}, 1)
	if err := r.e.stream(r.now, &sliceSource{}); !errors.Is(err, ErrNotReady) {
		t.Errorf("while opening: %v", err)
	}
	r.open()
	if err := r.e.stream(r.now, &sliceSource{lines: moves(50)}); err != nil {
		t.Fatal(err)
	}
	if err := r.e.stream(r.now, &sliceSource{}); !errors.Is(err, ErrBusy) {
		t.Errorf("while streaming: %v", err)
	}
	for _, bad := range []string{"", "M110 N5", "M112", "G1 X1\nG1 X2", "M117 " + strings.Repeat("z", 100), "G1 X1*33", "G1 ; x"} {
		if _, err := r.e.request(r.now, []byte(bad)); !errors.Is(err, ErrUnsendable) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	r.e.close()
	if err := r.e.stream(r.now, &sliceSource{}); !errors.Is(err, ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}

// After a run was given up the conversation goes on where it can: to turn the
// heaters off.
func TestDoAfterFailure(t *testing.T) {
	for _, c := range []Cause{CauseColdExtrusion, CausePosition, CauseRebooted} {
		r := started(t, modelOptions{}, Options{}, moves(200))
		r.until(time.Minute, func() bool { return r.e.accepted > 50 })
		if c == CauseRebooted {
			r.m.boot()
			r.until(time.Second, r.over)
		} else {
			r.e.fail(r.now, c, "for the test")
		}
		d, err := r.e.request(r.now, []byte("M104 S0"))
		if err != nil {
			t.Fatalf("%s: %v", c, err)
		}
		r.until(time.Minute, func() bool { return d.over })
		if !d.over || d.err != nil || r.m.handled[len(r.m.handled)-1] != "M104 S0" {
			t.Errorf("%s: over %v err %v last %q", c, d.over, d.err, r.m.handled[len(r.m.handled)-1])
		}
		if r.e.phase != Failed || r.e.fault.Cause != c {
			t.Errorf("%s became %+v", c, r.e.fault)
		}
	}
}

// The empty end of a source, a source of one line, a source of comments only.
func TestShortSources(t *testing.T) {
	for _, lines := range [][]string{{}, {"G28"}, {"M117 heron"}, {"G1 X1"}} {
		r := started(t, modelOptions{}, Options{}, lines)
		r.until(5*time.Minute, r.over)
		wantFinished(t, r, lines)
	}
}

// A family without M400 is waited for with a dwell (e-06-long:57).
func TestEndWithoutM400(t *testing.T) {
	lines := moves(40)
	r := started(t, modelOptions{unknown: []string{"M400"}}, Options{}, lines)
	r.until(5*time.Minute, r.over)
	wantFinished(t, r, lines)
	if r.m.executed() != len(r.m.handled) {
		t.Error("finished before the last move was")
	}
}

// Replies split, glued and with CR LF.
func TestRepliesSplitAndGlued(t *testing.T) {
	lines := moves(100)
	r := started(t, modelOptions{}, Options{}, lines)
	n := 0
	r.fault.onReply = func(l []byte) []byte {
		n++
		switch {
		case n%7 == 0:
			return append(bytes.TrimSuffix(l, []byte("\n")), '\r', '\n')
		case n%11 == 0:
			return bytes.TrimSuffix(l, []byte("\n")) // glued to the next
		}
		return l
	}
	r.until(10*time.Minute, r.over)
	wantFinished(t, r, lines)
}

// The line end of an over-long line from the firmware is found again.
func TestEndlessReply(t *testing.T) {
	lines := moves(100)
	r := started(t, modelOptions{}, Options{}, lines)
	r.until(time.Minute, func() bool { return r.e.accepted > 20 })
	r.e.Receive(r.now, bytes.Repeat([]byte{'x'}, 100000))
	r.e.Receive(r.now, []byte("\n"))
	r.until(10*time.Minute, r.over)
	wantFinished(t, r, lines)
}

// The same line refused again and again: a connection too poor to use.
func TestTooManyRefusals(t *testing.T) {
	r := started(t, modelOptions{}, Options{}, moves(100))
	r.fault.onLine = func(_ int, l []byte) []byte {
		if bytes.Contains(l, []byte("N40 ")) {
			l = slices.Clone(l)
			l[5] ^= 1
		}
		return l
	}
	r.until(10*time.Minute, r.over)
	wantFault(t, r, CauseResends)
}

// At a layer's end, while the planner still holds moves, the position is asked
// for: what the sum of E or a height has lost is found before the next layer,
// and the query empties nothing.
func TestPositionIsComparedAtLayerEnds(t *testing.T) {
	const layers, each = 6, 50
	lines := []string{"G28", "G90", "M83"}
	for i := range layers {
		lines = append(lines, fmt.Sprintf("G1 Z%.2f F600", 0.3*float64(i+1)))
		for k := range each {
			lines = append(lines, fmt.Sprintf("G1 X%d Y%d E0.20000 F3000", 20+k%2*20, 20+k%7))
		}
	}
	for fam, mo := range families {
		if mo.careless {
			continue // it tells where the nozzle is, not where the moves lead
		}
		t.Run(fam, func(t *testing.T) {
			r := started(t, mo, Options{AuditEvery: time.Hour, ReportEvery: -1}, lines)
			r.until(time.Hour, r.over)
			wantFinished(t, r, lines)
			if r.e.audits < layers {
				t.Errorf("%d positions compared in %d layers", r.e.audits, layers)
			}
			r = started(t, mo, Options{AuditEvery: time.Hour, ReportEvery: -1}, lines)
			r.until(time.Hour, func() bool { return r.e.accepted > 3+2*(each+1)+each/2 })
			r.m.pos[3] -= 0.2 // an extrusion that did not come through whole
			r.until(time.Hour, r.over)
			wantFault(t, r, CausePosition)
			if end := 3 + 3*(each+1); r.e.sent > int64(end)+20 { // asked twice, and where the soft ends are
				t.Errorf("%d commands were sent, the layer ends with command %d", r.e.sent, end)
			}
		})
	}
}
