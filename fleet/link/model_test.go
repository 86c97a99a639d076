package link

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// model is a small firmware for the tests, written from the recorded
// conversations and from nothing of the link's own code. It has no clock and no
// goroutine: bytes go in with take, time passes with run, answers collect in out.
type model struct {
	opt modelOptions
	now time.Time
	out bytes.Buffer

	rx      []byte // receive buffer
	part    []byte // the line being assembled
	comment bool
	queue   []queued // accepted, not yet handled
	last    int64    // last line number

	running *queued // the command in its handler
	until   time.Time

	planner []planned
	tail    time.Time // end of the last planned move

	pos        [4]float64
	rel, relE  bool
	feed       float64
	boots      int
	dead       bool
	mute       bool
	nextReport time.Time
	every      time.Duration
	nextWait   time.Time
	nextBusy   time.Time
	target     [2]float64

	handled  []string // every command that reached its handler, in order
	finished int      // how many of them are finished with, moves out of the planner
	ends     []time.Time
}

type modelOptions struct {
	advanced bool // ok N P B, and wait
	parser   bool // emergency parser
	careless bool // does not look at line numbers (family E)
	receipt  bool // acknowledges a line when it is taken, with its number (family D)
	noReport bool
	slots    int
	unknown  []string // command words it does not know
}

type queued struct {
	text     string
	number   int64
	numbered bool
}

type planned struct {
	end time.Time
}

func newModel(o modelOptions, now time.Time) *model {
	if o.slots == 0 {
		o.slots = 15
	}
	m := &model{opt: o, now: now, feed: 25, tail: now}
	return m
}

func (m *model) say(format string, args ...any) {
	if !m.dead && !m.mute {
		fmt.Fprintf(&m.out, format+"\n", args...)
	}
}

func (m *model) boot() {
	m.rx, m.part, m.queue, m.running, m.planner = nil, nil, nil, nil, nil
	m.pos, m.rel, m.relE, m.last, m.dead = [4]float64{}, false, false, 0, false
	m.every = 0
	m.target = [2]float64{}
	m.boots++
	m.say("start")
	if m.opt.careless {
		m.say("ok")
		return
	}
	m.say("Power-up")
	m.say("Firmware-A 1.0")
	m.say("echo:Hardcoded Default Settings Loaded")
}

// take is one byte from the wire.
func (m *model) take(c byte) {
	if m.dead {
		return
	}
	if len(m.rx) >= 128 {
		return // overflow: the byte is lost
	}
	m.rx = append(m.rx, c)
	if m.opt.parser && bytes.HasSuffix(m.rx, []byte("M112\n")) {
		m.kill()
	}
	if m.opt.parser && m.running != nil && wordOf(m.running.text) == "M0" && c == '\n' && bytes.Contains(m.rx[bytes.LastIndexByte(m.rx[:len(m.rx)-1], '\n')+1:], []byte(" M108")) {
		m.until = m.now
	}
}

func (m *model) kill() {
	m.say("echo:M112 Shutdown")
	m.say("Error:Printer halted. kill() called!")
	m.dead = true
}

// pull moves complete lines from the receive buffer into the queue.
func (m *model) pull() {
	for len(m.rx) > 0 && len(m.queue) < 4 {
		c := m.rx[0]
		m.rx = m.rx[1:]
		if c != '\n' && c != '\r' {
			if c == ';' {
				m.comment = true
			}
			if !m.comment && len(m.part) < 95 {
				m.part = append(m.part, c)
			}
			continue
		}
		m.comment = false
		line := strings.TrimLeft(string(m.part), " ")
		m.part = m.part[:0]
		if line == "" {
			if m.opt.careless {
				m.queue = append(m.queue, queued{})
			}
			continue
		}
		m.admit(line)
	}
}

func (m *model) refuse(why string) {
	m.rx = nil
	if m.opt.receipt {
		m.say("rs N%d", m.last+1)
		m.say("ok")
		return
	}
	m.say("Error:%s, Last Line: %d", why, m.last)
	m.say("Resend: %d", m.last+1)
	m.say("ok")
}

func xor(s string) byte {
	var x byte
	for i := 0; i < len(s); i++ {
		x ^= s[i]
	}
	return x
}

func (m *model) admit(line string) {
	star := strings.LastIndexByte(line, '*')
	if m.opt.careless {
		star = strings.IndexByte(line, '*')
	}
	n, rest, numbered := int64(0), line, false
	if line[0] == 'N' {
		i := 1
		for i < len(line) && line[i] >= '0' && line[i] <= '9' {
			i++
		}
		if i > 1 {
			n, _ = strconv.ParseInt(line[1:i], 10, 64)
			rest, numbered = strings.TrimLeft(line[i:], " "), true
		}
	}
	if m.opt.careless {
		if star >= 0 {
			got, err := strconv.Atoi(strings.TrimSpace(line[star+1:]))
			if err != nil || byte(got) != xor(line[:star]) || got > 255 {
				m.say("rs N%d Expected checksum %d", n, xor(line[:star]))
				m.say("ok")
				return
			}
		}
	} else if numbered {
		m110 := strings.Contains(line, "M110")
		if n != m.last+1 && !m110 {
			if !m.opt.receipt && (n == m.last || n == m.last-1) {
				return
			}
			m.refuse("Line Number is not Last Line Number+1")
			return
		}
		if star < 0 {
			m.refuse("No Checksum with line number")
			return
		}
		digits := line[star+1:]
		end := 0
		for end < len(digits) && digits[end] >= '0' && digits[end] <= '9' {
			end++
		}
		got, _ := strconv.Atoi(digits[:end])
		if byte(got) != xor(line[:star]) || got > 255 {
			m.refuse("checksum mismatch")
			return
		}
		m.last = n
	}
	if i := strings.IndexByte(rest, '*'); i >= 0 {
		rest = rest[:i]
	}
	rest = strings.TrimRight(rest, " ")
	if !m.opt.careless && strings.HasPrefix(rest, "M112") {
		m.kill()
		return
	}
	m.queue = append(m.queue, queued{text: rest, number: n, numbered: numbered})
	switch {
	case m.opt.receipt && numbered:
		m.say("ok %d", n)
	case m.opt.receipt:
		m.say("ok")
	}
}

// run lets time pass.
func (m *model) run(now time.Time) {
	m.now = now
	if m.dead {
		return
	}
	for len(m.planner) > 0 && !m.planner[0].end.After(now) {
		m.planner = m.planner[1:]
	}
	if m.every > 0 && !now.Before(m.nextReport) && !(m.opt.careless && m.running != nil) {
		m.nextReport = now.Add(m.every)
		m.say("%s", m.temps())
	}
	for {
		m.pull()
		if m.running == nil {
			if len(m.queue) == 0 {
				break
			}
			m.begin()
		}
		if m.running != nil {
			if !m.ready() {
				if !m.opt.careless && !now.Before(m.nextBusy) {
					m.nextBusy = now.Add(2 * time.Second)
					m.say("echo:busy: processing")
				}
				break
			}
			m.end()
		}
	}
	if m.opt.advanced && m.running == nil && len(m.queue) == 0 && !now.Before(m.nextWait) {
		m.nextWait = now.Add(time.Second)
		m.say("wait")
	}
}

// next is when run should be called again.
func (m *model) next() time.Time {
	t := m.now.Add(time.Second)
	if m.running != nil && len(m.planner) > 0 && m.planner[0].end.Before(t) {
		t = m.planner[0].end
	}
	if m.running != nil && m.until.After(m.now) && m.until.Before(t) {
		t = m.until
	}
	if m.every > 0 && m.nextReport.Before(t) && !(m.opt.careless && m.running != nil) {
		t = m.nextReport
	}
	return t
}

func (m *model) begin() {
	q := m.queue[0]
	m.running = &q
	m.until = m.now
	m.nextBusy = m.now.Add(2 * time.Second)
	switch wordOf(q.text) {
	case "G4":
		m.until = m.tail
		if m.until.Before(m.now) {
			m.until = m.now
		}
		if v, ok := param(q.text, 'P'); ok {
			m.until = m.until.Add(time.Duration(v) * time.Millisecond)
		}
	case "M400":
		m.until = m.tail
	case "G28":
		m.until = m.tail.Add(8 * time.Second)
		if m.until.Before(m.now.Add(8 * time.Second)) {
			m.until = m.now.Add(8 * time.Second)
		}
	case "M0":
		if m.opt.parser {
			m.until = m.now.Add(24 * time.Hour)
		}
	case "M109", "M190":
		m.until = m.now.Add(30 * time.Second)
	}
}

// ready says whether the running command's handler is through.
func (m *model) ready() bool {
	switch wordOf(m.running.text) {
	case "G0", "G1", "G2", "G3":
		return len(m.planner) < m.opt.slots
	}
	return !m.now.Before(m.until)
}

func (m *model) temps() string {
	if m.opt.careless {
		return fmt.Sprintf("T:21.25/%.1f B:20.25/%.1f", m.target[0], m.target[1])
	}
	return fmt.Sprintf(" T:20.66 /%.2f B:20.82 /%.2f @:0 B@:0", m.target[0], m.target[1])
}

func (m *model) end() {
	q := *m.running
	m.running = nil
	m.queue = m.queue[1:]
	m.nextWait = m.now.Add(time.Second)
	w := wordOf(q.text)
	if q.text == "" {
		m.say("ok")
		return
	}
	for _, u := range m.opt.unknown {
		if w == u {
			if m.opt.careless {
				v, _ := strconv.Atoi(w[1:])
				m.say("E: Bad %c-code %d", w[0], v%256)
			} else {
				m.say("echo:Unknown command: \"%s\"", q.text)
			}
			m.ok(q)
			return
		}
	}
	end := m.now
	known := true
	switch w {
	case "G0", "G1":
		end = m.move(q.text)
	case "G90":
		m.rel, m.relE = false, false
	case "G91":
		m.rel, m.relE = true, true
	case "M82":
		m.relE = false
	case "M83":
		m.relE = true
	case "G92":
		for i, l := range "XYZE" {
			if v, ok := param(q.text, byte(l)); ok {
				m.pos[i] = v
			}
		}
		if !m.opt.careless {
			m.say("%s", m.position())
		}
	case "G28":
		m.pos[0], m.pos[1], m.pos[2] = 0, 0, 0
		if !m.opt.careless {
			m.say("%s", m.position())
		}
	case "M104", "M109":
		m.target[0], _ = param(q.text, 'S')
	case "M140", "M190":
		m.target[1], _ = param(q.text, 'S')
	case "M105":
		if m.opt.receipt {
			m.say("%s", strings.TrimSpace(m.temps()))
		} else if m.opt.careless {
			m.say("%s", m.temps())
			m.say("ok")
		} else {
			m.say("ok%s", m.temps())
		}
		m.log(q.text, end)
		return
	case "M114":
		m.say("%s", m.position())
	case "M115":
		m.say("FIRMWARE_NAME:Firmware PROTOCOL_VERSION:1.0 EXTRUDER_COUNT:1")
		if !m.opt.noReport {
			m.say("Cap:AUTOREPORT_TEMP:1")
		}
		if m.opt.parser {
			m.say("Cap:EMERGENCY_PARSER:1")
		}
	case "M155":
		v, _ := param(q.text, 'S')
		m.every = time.Duration(v * float64(time.Second))
		m.nextReport = m.now.Add(m.every)
	case "M110":
		if !q.numbered {
			if v, ok := param(q.text, 'N'); ok {
				m.last = int64(v)
			}
		}
	case "M503":
		if m.opt.careless {
			m.say("E: Bad M-code 247")
		} else {
			m.say("echo:; Steps per unit:")
			m.say("echo:  M92 X80.00 Y80.00 Z400.00 E500.00")
			m.say("echo:  M203 X300.00 Y300.00 Z5.00 E25.00")
		}
	case "M400":
		if m.opt.careless {
			m.say("E: Bad M-code 144")
		}
	case "G4", "M106", "M107", "M117", "M118", "M140x", "M220", "M84", "G21", "T0", "M73", "M204":
	case "M0", "M108":
		if known = m.opt.parser; !known {
			m.say("echo:Unknown command: \"%s\"", q.text)
		}
	default:
		known = false
		if m.opt.careless {
			if v, err := strconv.Atoi(strings.TrimLeft(w, "GMT")); err == nil && w != "" && strings.ContainsAny(w[:1], "GM") {
				m.say("E: Bad %c-code %d", w[0], v%256)
			}
		} else {
			m.say("echo:Unknown command: \"%s\"", q.text)
		}
	}
	if known {
		m.log(q.text, end)
	}
	m.ok(q)
}

func (m *model) log(text string, end time.Time) {
	m.handled = append(m.handled, text)
	m.ends = append(m.ends, end)
}

// executed is how many of the handled commands are finished at now.
func (m *model) executed() int {
	for m.finished < len(m.ends) && !m.ends[m.finished].After(m.now) {
		m.finished++
	}
	return m.finished
}

func (m *model) ok(q queued) {
	if m.opt.receipt {
		return
	}
	if !m.opt.advanced {
		m.say("ok")
		return
	}
	free := m.opt.slots - len(m.planner)
	if q.numbered {
		m.say("ok N%d P%d B%d", q.number, free, 4-len(m.queue)-1)
	} else {
		m.say("ok P%d B%d", free, 3)
	}
}

func (m *model) position() string {
	if m.opt.careless {
		return fmt.Sprintf("X:%.3f,Y:%.3f,Z:%.3f,E:%.3f,F:50", m.pos[0], m.pos[1], m.pos[2], m.pos[3])
	}
	return fmt.Sprintf("X:%.2f Y:%.2f Z:%.2f E:%.2f Count X:0 Y:0 Z:0", m.pos[0], m.pos[1], m.pos[2], m.pos[3])
}

func (m *model) move(text string) time.Time {
	var d [4]float64
	for i, l := range "XYZE" {
		v, ok := param(text, byte(l))
		if !ok {
			continue
		}
		to := v
		if i < 3 && m.rel || i == 3 && m.relE {
			to = m.pos[i] + v
		}
		d[i] = to - m.pos[i]
		m.pos[i] = to
	}
	if f, ok := param(text, 'F'); ok && f > 0 {
		m.feed = f / 60
	}
	dist := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
	if dist == 0 {
		dist = math.Abs(d[3])
	}
	if dist < 1e-9 {
		return m.now
	}
	start := m.tail
	if start.Before(m.now) {
		start = m.now
	}
	m.tail = start.Add(time.Duration(dist / m.feed * float64(time.Second)))
	m.planner = append(m.planner, planned{end: m.tail})
	return m.tail
}

func wordOf(text string) string {
	i := 1
	for i < len(text) && text[i] >= '0' && text[i] <= '9' {
		i++
	}
	if text == "" {
		return ""
	}
	return text[:i]
}

func param(text string, letter byte) (float64, bool) {
	for i := 1; i < len(text); i++ {
		if text[i] == letter {
			j := i + 1
			for j < len(text) && strings.IndexByte("-+.0123456789", text[j]) >= 0 {
				j++
			}
			v, err := strconv.ParseFloat(text[i+1:j], 64)
			return v, err == nil
		}
	}
	return 0, false
}
