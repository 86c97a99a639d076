package fleet

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"undercroft/fleet/link"
	"undercroft/fleet/watch"
	"undercroft/gcode"
)

// source hands a file's commands to the link and remembers what the printer's
// loop must know of them: at which count of commands each layer ends, on which
// line the recent commands stand, and how long they should take. The link reads
// it in its goroutine, the loop asks it in its own.
type source struct {
	mu     sync.Mutex
	cmds   link.Source
	layers []Layer
	x      watch.Expect

	count int64   // commands read so far
	ends  []int64 // for each layer that was read past: commands up to its end
	eof   bool
	over  bool // the run has ended: nothing more is read
	calls []string
	call  *call      // a person is called for: nothing more is read before goOn
	base  int64      // commands that earlier streams of this run have executed
	homed int64      // count at which the first G28 stands, 0 while there is none
	heats bool       // a heater was given a target so far
	fixed []constant // homing and levelling, to be timed
	// Targets of heaters that were given so far, by the file and by a hold.
	given  heat
	tool   int
	parser gcode.Parser

	// For the newest commands: file line and sums of seconds up to and with each.
	ring [ringLen]mark
}

type mark struct {
	line     int64
	nominalS float64
	allowS   float64
	modal    watch.Modal
}

// ringLen covers what can lie between the newest command read and the last one
// certainly executed: window, queue and planner hold fewer than 200.
const ringLen = 1024

func newSource(r io.Reader, layers []Layer, calls []string) *source {
	return &source{cmds: gcode.NewCommands(r), layers: layers, ends: make([]int64, 0, len(layers)), calls: calls, given: heat{}}
}

// call is a command of the file that calls for a person and is not sent.
type call struct {
	text     string
	line     int64
	filament bool // for another reel
}

func (c *call) why() string {
	words := strings.TrimSpace(strings.TrimLeft(c.text, "MG0123456789"))
	switch {
	case c.filament:
		return fmt.Sprintf("the file calls for another reel (line %d, %s): load it, then say that it is loaded", c.line, c.text)
	case len(words) > 1 && (words[1] < '0' || words[1] > '9'): // no parameter like P500
		return fmt.Sprintf("the file calls for a person (line %d): %s. Then resume", c.line, clip(words, 100))
	default:
		return fmt.Sprintf("the file calls for a person (line %d, %s). Then resume", c.line, c.text)
	}
}

// goOn reads on behind a call.
func (s *source) goOn() {
	s.mu.Lock()
	s.call, s.base = nil, s.count
	s.mu.Unlock()
}

// Next implements link.Source.
func (s *source) Next() ([]byte, int64, error) {
	s.mu.Lock()
	called := s.call != nil
	s.mu.Unlock()
	if called {
		return nil, 0, io.EOF
	}
	// Outside the lock: a disk that stalls must not stall the printer's loop.
	text, line, err := s.cmds.Next()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.over {
		return nil, line, errOver
	}
	if err != nil {
		if err == io.EOF && !s.eof {
			s.eof = true
			for len(s.ends) < len(s.layers) {
				s.ends = append(s.ends, s.count)
			}
		}
		return nil, line, err
	}
	for len(s.ends) < len(s.layers) && line > s.layers[len(s.ends)].EndLine {
		s.ends = append(s.ends, s.count)
	}
	for _, c := range s.calls {
		if isCommand(text, c) {
			s.call = &call{text: string(text), line: line, filament: c == "M600"}
			return nil, line, io.EOF
		}
	}
	s.gives(text)
	last := s.ring[s.count%ringLen]
	s.count++
	nominal, allow := s.x.Command(text)
	s.ring[s.count%ringLen] = mark{line, last.nominalS + nominal, last.allowS + allow, s.x.Modal()}
	if s.homed == 0 && isCommand(text, "G28") {
		s.homed = s.count
	}
	if what, share, ok := constantOf(text); ok && len(s.fixed) < constantsTimed {
		s.fixed = append(s.fixed, constant{what: what, count: s.count, share: share})
	}
	if !s.heats && (isCommand(text, "M104") || isCommand(text, "M109")) {
		s.heats = true
	}
	return text, line, nil
}

// errOver is what a link gets that reads on after the run has ended.
var errOver = errors.New("the run has ended")

// stop lets nothing more out of the source.
func (s *source) stop() {
	s.mu.Lock()
	s.over = true
	s.mu.Unlock()
}

// isCommand says whether text is that command, with or without parameters.
func isCommand(text []byte, cmd string) bool {
	return len(text) >= len(cmd) && string(text[:len(cmd)]) == cmd &&
		(len(text) == len(cmd) || text[len(cmd)] < '0' || text[len(cmd)] > '9')
}

// reach is what the source knows about a state of the link.
type reach struct {
	done     int64 // commands certainly executed
	line     int64 // file line of the last of them, 0 when none
	layers   int   // layers certainly complete
	begun    bool  // commands behind the last complete layer were sent
	finished bool  // everything was read and executed
	call     *call // everything up to it was executed
	homed    bool  // a homing command was executed
	heats    bool  // the file has given a nozzle a target
	nominalS float64
	allowS   float64
}

// at relates the link's counts to the file. Counts that belong to an earlier
// stream are recognised: more cannot be sent than was read.
func (s *source) at(st *link.State) reach {
	s.mu.Lock()
	defer s.mu.Unlock()
	var r reach
	sent, done := s.base+st.Sent, s.base+st.Done
	if sent > s.count {
		return r
	}
	r.done = min(done, s.count)
	for r.layers < len(s.ends) && s.ends[r.layers] <= r.done {
		r.layers++
	}
	prev := int64(0)
	if r.layers > 0 {
		prev = s.ends[r.layers-1]
	}
	r.begun = sent > prev && r.layers < len(s.layers)
	all := st.Finished && done >= s.count
	r.finished = all && s.eof
	if all {
		r.call = s.call
	}
	r.homed = s.homed > 0 && r.done >= s.homed
	r.heats = s.heats
	oldest := max(s.count-ringLen+1, 0)
	from, to := s.ring[max(r.done, oldest)%ringLen], s.ring[max(sent, oldest)%ringLen]
	if r.done >= oldest && r.done > 0 {
		r.line = from.line
	}
	r.nominalS, r.allowS = to.nominalS-from.nominalS, to.allowS-from.allowS
	return r
}

// modal is what the last command sent left in force.
func (s *source) modal(sent int64) watch.Modal {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ring[min(s.base+sent, s.count)%ringLen].modal
}
