package link

import (
	"time"
)

// onRefused takes 'Unknown command' and its kin: the line will get its ok all
// the same.
func (e *engine) onRefused(now time.Time, r *reply) {
	quoted := between(r.text, '"')
	seq := e.acked
	if quoted != nil {
		found := false
		from := e.acked
		if e.receipt {
			from = max(1, e.acked-2*queuedLines-receiveBytes/8) // it was acknowledged before it was read
		}
		for q := from; q < e.cursor; q++ {
			if !e.at(q).refused && sameCommand(e.at(q).payload(), quoted) {
				seq, found = q, true
				break
			}
		}
		if !found {
			// It ran something that is not a line of ours: a damaged one.
			e.foreign = true
			return
		}
		if seq > e.acked && e.advanced < 2 {
			e.acceptThrough(now, seq-1, -1)
		}
	}
	if seq >= e.cursor {
		return
	}
	s := e.at(seq)
	s.refused = true
	if s.kind == slotSync {
		e.unknownSync = true
	}
	if s.kind == slotDo {
		e.collect(r)
		return
	}
	if s.kind != slotSource {
		return
	}
	e.notice(now, r.text)
	if essential(s.info) && (e.phase == Streaming || e.phase == Suspended) {
		e.failAt(now, s.line, CauseRefused, "this firmware does not know %q: without it the print would go wrong; slice for this machine, or take the command out", s.payload())
	}
}

// essential commands must not be passed over: the print would go on cold, in
// the wrong place, or without the hands it asks for.
func essential(i lineInfo) bool {
	switch i.letter {
	case 'G':
		switch i.code {
		case 0, 1, 2, 3, 5, 10, 11, 20, 21, 28, 90, 91, 92:
			return true
		}
	case 'M':
		switch i.code {
		case 0, 1, 25, 82, 83, 104, 109, 116, 125, 140, 190, 191, 226, 600, 601:
			return true
		}
	case 'T':
		return true
	}
	return false
}

func between(b []byte, quote byte) []byte {
	first, last := -1, -1
	for i, c := range b {
		if c == quote {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if first < 0 || last <= first {
		return nil
	}
	return b[first+1 : last]
}

func sameCommand(a, b []byte) bool {
	for len(b) > 0 && b[len(b)-1] == ' ' {
		b = b[:len(b)-1]
	}
	return string(a) == string(b)
}
