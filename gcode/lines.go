package gcode

import (
	"bytes"
	"errors"
	"io"
)

// MaxLineBytes is how much of one line is kept. What lies behind it is read and
// counted, not stored, so that a line of any length costs no more memory.
const MaxLineBytes = 64 << 10

const readBytes = 256 << 10

// slackBytes follow the buffer, so that NextMotion need not look where it ends. No
// motion command with plain numbers is longer.
const slackBytes = 512

// Lines splits a file into lines that end in LF, CR LF or CR, mixed at will. A
// byte-order mark in front of the first line is dropped.
type Lines struct {
	r          io.Reader
	buf        []byte
	start, end int   // buf[start:end] is read and not yet returned
	base       int64 // offset in the file of buf[0]
	err        error

	offset, next int64 // of the line last returned, and behind its line end
	number       int64
	cut          bool
	afterCR      bool // the line before ended in CR: an LF now belongs to that end
	hasCR        bool // some byte of buf[start:end] may be a CR
	lf, cr       mark
}

// mark is the next place of a byte in the buffer, so that no part of it is
// searched twice for a line end that is rare in this file.
type mark struct {
	at   int // where it is; below start: not known
	seen int // searched up to here
}

// NewLines returns a reader of r's lines. It buffers 256 KiB.
func NewLines(r io.Reader) *Lines {
	return &Lines{r: r, buf: make([]byte, readBytes, readBytes+slackBytes)}
}

// Number is the 1-based number of the line last returned.
func (l *Lines) Number() int64 { return l.number }

// Offset is the byte offset of the line last returned.
func (l *Lines) Offset() int64 { return l.offset }

// EndOffset is the byte offset behind the line last returned, its line end included.
func (l *Lines) EndOffset() int64 { return l.next }

// Cut reports whether the line last returned was longer than MaxLineBytes.
func (l *Lines) Cut() bool { return l.cut }

// Next returns the next line without its end. The slice is valid until the
// following call. It returns io.EOF behind the last line, or the reader's error.
func (l *Lines) Next() ([]byte, error) {
	if l.number == 0 {
		l.skipMark()
	}
	if l.afterCR {
		l.afterCR = false
		if l.have(1) && l.buf[l.start] == '\n' {
			l.start++
		}
	}
	l.offset = l.base + int64(l.start)
	l.cut = false
	for {
		if n := l.lineEnd(); n >= 0 {
			line := l.buf[l.start:n]
			l.start = n
			l.afterCR = l.buf[l.start] == '\r'
			l.start++
			return l.done(line), nil
		}
		if l.end-l.start > MaxLineBytes {
			return l.skipRest(), nil
		}
		if l.err != nil {
			if l.start == l.end || l.err != io.EOF {
				return nil, l.err
			}
			line := l.buf[l.start:l.end]
			l.start = l.end
			return l.done(line), nil
		}
		l.fill()
	}
}

func (l *Lines) done(line []byte) []byte {
	l.number++
	l.next = l.base + int64(l.start)
	if len(line) > MaxLineBytes {
		l.cut = true
		line = line[:MaxLineBytes]
	}
	return line
}

// lineEnd gives the place of the first LF or CR at or behind start, or -1.
func (l *Lines) lineEnd() int {
	lf := l.find(&l.lf, '\n')
	if !l.hasCR {
		return lf
	}
	cr := l.find(&l.cr, '\r')
	if lf < 0 || cr >= 0 && cr < lf {
		return cr
	}
	return lf
}

func (l *Lines) find(m *mark, b byte) int {
	if m.at >= l.start && m.at < m.seen {
		return m.at
	}
	from := max(m.seen, l.start)
	i := bytes.IndexByte(l.buf[from:l.end], b)
	if i < 0 {
		m.at, m.seen = -1, l.end
		return -1
	}
	m.at, m.seen = from+i, from+i+1
	return m.at
}

// moved tells the marks that the buffer's bytes moved to the front by n.
func (l *Lines) moved(n int) {
	l.lf = mark{l.lf.at - n, max(0, l.lf.seen-n)}
	l.cr = mark{l.cr.at - n, max(0, l.cr.seen-n)}
}

// skipRest returns the start of an overlong line and reads on to its end. The
// part it returns is moved to the front of the buffer; the rest goes through
// the space behind it.
func (l *Lines) skipRest() []byte {
	keep := copy(l.buf, l.buf[l.start:l.start+MaxLineBytes])
	l.base += int64(l.start)
	rest := copy(l.buf[keep:], l.buf[l.start+keep:l.end])
	l.start, l.end = keep, keep+rest
	for {
		l.lf, l.cr = mark{at: -1}, mark{at: -1}
		if n := l.lineEnd(); n >= 0 {
			l.start = n
			l.afterCR = l.buf[l.start] == '\r'
			l.start++
			break
		}
		l.base += int64(l.end - keep)
		l.start, l.end = keep, keep
		if l.err != nil {
			break
		}
		l.read()
	}
	l.number++
	l.next = l.base + int64(l.start)
	l.cut = true
	return l.buf[:keep]
}

// have makes sure that n bytes are buffered, if the file has them.
func (l *Lines) have(n int) bool {
	for l.end-l.start < n && l.err == nil {
		l.fill()
	}
	return l.end-l.start >= n
}

func (l *Lines) fill() {
	if l.start > 0 {
		n := copy(l.buf, l.buf[l.start:l.end])
		l.base += int64(l.start)
		l.moved(l.start)
		l.start, l.end = 0, n
	}
	l.read()
}

func (l *Lines) read() {
	for range 100 {
		n, err := l.r.Read(l.buf[l.end:])
		if n > 0 {
			l.hasCR = bytes.IndexByte(l.buf[l.start:l.end+n], '\r') >= 0
			l.end += n
		}
		if err != nil {
			l.err = err
			return
		}
		if n > 0 {
			return
		}
	}
	l.err = errors.Join(io.ErrNoProgress, errors.New("the file gives neither bytes nor an end"))
}

func (l *Lines) skipMark() {
	if l.have(3) && string(l.buf[l.start:l.start+3]) == "\xEF\xBB\xBF" {
		l.start += 3
	}
}
