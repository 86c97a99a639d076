package gcode

import (
	"fmt"
	"io"
)

// MaxSendBytes is the longest command that can be sent: firmware keeps 95
// characters of a line, and a line number of nine digits with its N and blank
// (11) and a checksum (4) take their share.
const MaxSendBytes = 80

// Commands yields what is to be sent of a file, in order, one command at a time:
// command letters in upper case, comments, line numbers and checksums taken off,
// lines of several commands split, motion without a G word given its G again.
// What has no effect on the wire (M110, which would reset the line numbers) is
// left out.
type Commands struct {
	lines  *Lines
	parser Parser
	open   bool // the parser has more of the current line
	motion int  // the last motion command, for lines without one; -1 before any
	out    []byte
}

// NewCommands reads the commands of r.
func NewCommands(r io.Reader) *Commands {
	return &Commands{lines: NewLines(r), motion: -1, out: make([]byte, 0, 256)}
}

// Offset is the byte offset of the line that the command last returned stands in.
func (c *Commands) Offset() int64 { return c.lines.Offset() }

// Next returns the next command and its 1-based line number. The text is valid
// until the following call. It returns io.EOF at the end, and a *SyntaxError for
// a line that cannot be understood or sent; after such an error it is spent.
func (c *Commands) Next() (text []byte, line int64, err error) {
	for {
		if !c.open {
			if _, ok := c.lines.NextMotion(&c.parser); ok {
				return c.append()
			}
			raw, err := c.lines.Next()
			if err != nil {
				return nil, c.lines.Number(), err
			}
			c.parser.Reset(raw)
			c.open = true
		}
		more, err := c.parser.Next()
		if err != nil {
			return nil, c.lines.Number(), c.at(err)
		}
		if !more {
			c.open = false
			if c.lines.Cut() && c.parser.Comment == nil && !c.parser.Unclosed {
				return nil, c.lines.Number(), c.at(&SyntaxError{Column: MaxLineBytes, Err: ErrTooLong})
			}
			continue
		}
		if c.parser.Command.Is('M', 110) {
			continue
		}
		return c.append()
	}
}

// append gives the parser's command as it is sent.
func (c *Commands) append() (text []byte, line int64, err error) {
	c.out, err = AppendWire(c.out[:0], &c.parser.Command, &c.motion)
	if err != nil {
		return nil, c.lines.Number(), c.at(err)
	}
	return c.out, c.lines.Number(), nil
}

func (c *Commands) at(err error) error {
	if e, ok := err.(*SyntaxError); ok {
		e.Line = c.lines.Number()
	}
	return err
}

// AppendWire appends the command as it is sent. motion holds the number of the
// last motion command (-1: none yet) and is kept up to date.
func AppendWire(dst []byte, c *Command, motion *int) ([]byte, error) {
	from := len(dst)
	switch {
	case c.Letter == '_':
		dst = append(dst, c.Text...)
	case c.Letter == 'T' && c.Text != nil:
		dst = append(append(dst, 'T'), c.Text...)
	case c.Text != nil:
		dst = append(dst, c.Letter)
		dst = appendInt(dst, c.Number)
		if len(c.Text) > 0 {
			dst = append(dst, ' ')
			dst = append(dst, c.Text...)
		}
	default:
		if c.Letter == 0 {
			if *motion < 0 {
				return dst, &SyntaxError{Column: c.Column(), Text: string(c.raw), Err: ErrNoCommand}
			}
			dst = append(dst, 'G')
			dst = appendInt(dst, *motion)
		}
		if c.Letter == 'G' && c.Number <= 3 && c.Sub == 0 {
			*motion = c.Number
		}
		dst = appendWords(dst, from, c, ' ')
	}
	text := dst[from:]
	if len(text) > MaxSendBytes && c.Text == nil {
		dst = appendShort(dst[:from], c, *motion)
		text = dst[from:]
	}
	if len(text) > MaxSendBytes {
		return dst, &SyntaxError{Column: c.Column(), Text: string(c.raw), Err: ErrTooLong,
			Detail: fmt.Sprintf("%d characters where a printer keeps %d", len(text), MaxSendBytes)}
	}
	for i := 0; i < len(text); i++ {
		if b := text[i]; b < ' ' && b != '\t' || b == 0x7f {
			return dst, &SyntaxError{Column: c.Column(), Text: string(c.raw), Err: ErrCharacter}
		}
		if text[i] == 'M' && i+4 <= len(text) && string(text[i:i+4]) == "M110" {
			return dst, &SyntaxError{Column: c.Column(), Text: string(c.raw), Err: ErrLineNumber}
		}
	}
	return dst, nil
}

// appendWords copies the command's words: letters in upper case, the command
// word first, one blank between words, none inside. Quoted strings stay as they are.
func appendWords(dst []byte, from int, c *Command, gap byte) []byte {
	lead := leadWord(c)
	if lead.end > 0 {
		dst = appendRun(dst, from, c.raw[lead.start:lead.end], gap)
		dst = appendRun(dst, from, c.raw[:lead.start], gap)
		return appendRun(dst, from, c.raw[lead.end:], gap)
	}
	return appendRun(dst, from, c.raw, gap)
}

type span struct{ start, end int }

// leadWord finds the command word when it does not stand first.
func leadWord(c *Command) span {
	if c.Letter == 0 || c.raw[0]&^0x20 == c.Letter {
		return span{}
	}
	for i := 0; i < len(c.raw); i++ {
		switch c.raw[i] {
		case '(':
			i = behindParens(c.raw, i) - 1
		case '"':
			i = closingQuote(c.raw, i) - 1
		default:
			if c.raw[i]&^0x20 == c.Letter {
				j := i + 1
				for j < len(c.raw) && (c.raw[j] < 'A' && c.raw[j] != '(') {
					j++
				}
				return span{i, j}
			}
		}
	}
	return span{}
}

// behindParens is the place behind a comment in parentheses; an open one takes
// the rest.
func behindParens(s []byte, i int) int {
	if end, _ := closeParens(s, i); end >= 0 {
		return end
	}
	return len(s)
}

func appendRun(dst []byte, from int, s []byte, gap byte) []byte {
	for i := 0; i < len(s); i++ {
		ch := s[i]
		switch {
		case ch == ' ' || ch == '\t':
		case ch == '(':
			i = behindParens(s, i) - 1
		case ch == '"':
			end := closingQuote(s, i)
			dst = append(dst, s[i:end]...)
			i = end - 1
		case ch&^0x20-'A' <= 25:
			if len(dst) > from && gap != 0 {
				dst = append(dst, gap)
			}
			dst = append(dst, ch&^0x20)
		default:
			dst = append(dst, ch)
		}
	}
	return dst
}

// appendShort writes the command with every number as short as it goes without
// loss: no plus, no leading zeros, no zeros at the end of the decimals.
func appendShort(dst []byte, c *Command, motion int) []byte {
	long := make([]byte, 0, 256)
	if c.Letter == 0 {
		long = append(long, 'G')
		long = appendInt(long, motion)
	}
	long = appendWords(long, 0, c, ' ')
	for i := 0; i < len(long); {
		if long[i] == '"' {
			end := closingQuote(long, i)
			dst = append(dst, long[i:end]...)
			i = end
			continue
		}
		if !numeric(long[i]) {
			if long[i] != ' ' {
				dst = append(dst, long[i])
			}
			i++
			continue
		}
		j := i
		for j < len(long) && numeric(long[j]) {
			j++
		}
		if i == 1 { // the command's own: G29.10 is another than G29.1
			for i < j-1 && long[i] == '0' && long[i+1] != '.' {
				i++
			}
			n := long[i:j]
			if n[len(n)-1] == '.' {
				n = n[:len(n)-1]
			}
			dst = append(dst, n...)
			i = j
			continue
		}
		dst = appendShortNumber(dst, long[i:j])
		i = j
	}
	return dst
}

func numeric(b byte) bool { return b-'0' <= 9 || b == '.' || b == '-' || b == '+' }

func appendShortNumber(dst, n []byte) []byte {
	sign := byte(0)
	if n[0] == '-' || n[0] == '+' {
		sign = n[0]
		n = n[1:]
	}
	point := -1
	for i, b := range n {
		if b == '.' {
			point = i
			break
		}
	}
	if point >= 0 {
		for len(n) > point+1 && n[len(n)-1] == '0' {
			n = n[:len(n)-1]
		}
		if len(n) == point+1 {
			n = n[:point]
		}
	}
	for len(n) > 1 && n[0] == '0' && n[1] != '.' || len(n) > 2 && n[0] == '0' {
		n = n[1:]
	}
	if len(n) == 0 || len(n) == 1 && n[0] == '0' {
		return append(dst, '0')
	}
	if sign == '-' {
		dst = append(dst, '-')
	}
	return append(dst, n...)
}

func appendInt(dst []byte, n int) []byte {
	if n < 0 {
		dst = append(dst, '-')
		n = -n
	}
	if n >= 10 {
		dst = appendInt(dst, n/10)
	}
	return append(dst, byte('0'+n%10))
}
