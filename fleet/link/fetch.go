package link

import (
	"errors"
	"io"
	"time"
)

// fetch takes the next command from the source. false: none came.
func (e *engine) fetch(now time.Time) bool {
	for {
		text, line, err := e.src.Next()
		if errors.Is(err, io.EOF) {
			e.srcEOF = true
			return false
		}
		if err != nil {
			e.failAt(now, line, CauseSource, "the file cannot be read on: %v", err)
			return false
		}
		if len(text) == 0 {
			continue
		}
		p := &e.peek
		*p = slot{kind: slotSource, line: line}
		if !e.takeText(now, p, text, line) {
			return false
		}
		e.peeked = true
		return true
	}
}

// takeText copies a command of the source into the slot, or refuses it.
func (e *engine) takeText(now time.Time, p *slot, text []byte, line int64) bool {
	if len(text) > maxPayload || wireLength(e.head+e.shift+1000, len(text)) > maxLine {
		e.failAt(now, line, CauseUnsendable, "this line is %d characters long; with number and checksum firmware takes %d: shorten it", len(text), maxLine)
		return false
	}
	for _, c := range text {
		if c < ' ' && c != '\t' || c == 0x7f {
			e.failAt(now, line, CauseUnsendable, "this line holds the byte %#02x, which cannot be sent safely", c)
			return false
		}
	}
	p.n = copy(p.text[:], text)
	p.info = classify(p.payload())
	if !reserved(p.payload()) {
		return true
	}
	if hasText(p.info.letter, p.info.code) {
		// The words are looked for case-sensitively; a message may say them in
		// lower case.
		defuse(p.payload())
		return true
	}
	if p.info.letter == 'M' && p.info.code == 110 {
		e.failAt(now, line, CauseUnsendable, "the file sets the line number (M110), which belongs to the link: take the line out")
		return false
	}
	e.failAt(now, line, CauseUnsendable, "the file holds a command that would halt the machine or break the numbering: %q", p.payload())
	return false
}

// defuse makes M110 and M112 in a message lower case.
func defuse(b []byte) {
	for i := 1; i+4 <= len(b); i++ {
		if b[i] == 'M' && b[i+1] == '1' && b[i+2] == '1' && (b[i+3] == '0' || b[i+3] == '2') {
			b[i] = 'm'
		}
	}
}
