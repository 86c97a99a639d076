// Package gcode reads the RepRap dialect of G-code, with the grammar of NIST
// RS274/NGC for numbers, spacing and comments where that dialect is silent. It
// yields the commands of a file one by one without allocating, and errors with
// line and column.
package gcode

import "fmt"

// Command is one command with its parameters.
type Command struct {
	// Letter is 'G', 'M' or 'T'; 0 for parameters alone, which repeat the last
	// motion command; '_' for a named command (NAME KEY=VALUE …), kept as it is.
	Letter byte
	Number int
	Sub    int // 1 in G29.1

	Has    uint32 // bit per letter, A = 1: the letter is given
	Valued uint32 // of those, the ones that carry a number
	Value  [26]float64

	// Text is the string of M117, M118, M23 and their like, or of a named
	// command: a slice of the line.
	Text []byte
	// Quoted: a parameter is a string between quotation marks.
	Quoted bool

	raw    []byte // the command's bytes in the line, comments included
	column int    // 0-based place of raw in the line
}

// Is reports whether c is the command with this letter and number, sub 0.
func (c *Command) Is(letter byte, number int) bool {
	return c.Letter == letter && c.Number == number && c.Sub == 0
}

// Get returns the number behind a letter, and whether there is one.
func (c *Command) Get(letter byte) (float64, bool) {
	b := letter - 'A'
	return c.Value[b], c.Valued&(1<<b) != 0
}

// Given reports whether the letter stands in the command, with or without a number.
func (c *Command) Given(letter byte) bool { return c.Has&(1<<(letter-'A')) != 0 }

// Column is the 1-based column of the command in its line.
func (c *Command) Column() int { return c.column + 1 }

// Name is the command's letter and number, such as G29.1.
func (c *Command) Name() string {
	switch {
	case c.Letter == '_':
		n := 0
		for n < len(c.Text) && c.Text[n] != ' ' && c.Text[n] != '\t' {
			n++
		}
		return string(c.Text[:n])
	case c.Letter == 0:
		return "a line without a command"
	case c.Sub != 0:
		return fmt.Sprintf("%c%d.%d", c.Letter, c.Number, c.Sub)
	}
	return fmt.Sprintf("%c%d", c.Letter, c.Number)
}

// Bit is the bit of a letter in Has and Valued.
func Bit(letter byte) uint32 { return 1 << (letter - 'A') }

const commandBits = 1<<('G'-'A') | 1<<('M'-'A')

// Parser takes a line apart into its commands.
//
// A line with one command may have its words in any order. Several commands in
// one line are read from left to right, each with the words to its right, and
// only where the trade's other way of reading (settings first, motion last)
// gives the same; else ErrAmbiguous.
type Parser struct {
	Command Command
	// Comment is the text behind the line's ';' without it; nil when there is
	// none. Known once Next has returned false.
	Comment []byte
	// Parens is the text of the line's last ( ), nil when there is none.
	Parens []byte
	// Unclosed reports a '(' without its ')', Nested one inside another.
	Unclosed, Nested bool

	line     []byte
	pos      int
	numbered bool
	moved    bool // a command was seen behind which only an end of program may stand
	summed   bool // the checksum was seen: nothing but comments may follow
	commands int
	form     [26]uint8 // of the number last read quickly behind each letter
}

// Reset starts on a line, which must stay unchanged while it is parsed.
func (p *Parser) Reset(line []byte) {
	p.line, p.pos = line, 0
	p.numbered, p.moved, p.summed, p.Unclosed, p.Nested = false, false, false, false, false
	p.commands = 0
	p.Comment, p.Parens = nil, nil
}

func (p *Parser) fail(at int, err error, detail string) (bool, error) {
	text := p.line
	if len(text) > 4*excerptBytes && at < len(text)-4*excerptBytes && at < 2*excerptBytes {
		text = text[:4*excerptBytes]
	}
	p.pos = len(p.line)
	return false, &SyntaxError{Column: at + 1, Text: string(text), Err: err, Detail: detail}
}

// Done reports that nothing is left of the line.
func (p *Parser) Done() bool { return p.pos >= len(p.line) }

// Next reads the next command into p.Command; false at the end of the line.
func (p *Parser) Next() (bool, error) {
	c := &p.Command
	c.Letter, c.Number, c.Sub = 0, 0, 0
	c.Has, c.Valued = 0, 0
	c.Text, c.raw, c.Quoted = nil, nil, false
	s := p.line
	i := p.pos
	start := -1
	for i < len(s) {
		ch := s[i]
		letter := ch &^ 0x20
		if letter-'A' > 25 {
			switch ch {
			case ' ', '\t':
				i++
				continue
			case ';':
				p.Comment = s[i+1:]
				return p.finish(start, i, len(s))
			case '(':
				i = p.skipParens(i)
				continue
			case '*':
				end, err := p.checksum(i)
				if err != nil {
					return false, err
				}
				p.summed = true
				if start >= 0 {
					return p.finish(start, i, end)
				}
				i = end
				continue
			case '_':
				if start < 0 && p.commands == 0 && p.named(i) {
					return p.takeNamed(i)
				}
			case '[', '{':
				return p.fail(i, ErrCharacter, "a placeholder that was not filled in when the file was made")
			case '%':
				if start < 0 && p.commands == 0 && blank(s[i+1:]) {
					i = len(s)
					continue
				}
			}
			return p.fail(i, ErrCharacter, "")
		}
		if p.summed {
			return p.fail(i, ErrChecksum, "words stand behind it")
		}
		bit := uint32(1) << (letter - 'A')
		if bit&commandBits != 0 || letter == 'T' && !c.takesTool() {
			if c.Letter != 0 { // the next command begins
				return p.finish(start, i, i)
			}
			if c.Has != 0 && p.commands > 0 {
				return p.fail(i, ErrAmbiguous, "")
			}
			if start < 0 {
				start = i
				if i+1 < len(s) && s[i+1] >= 'A' && p.named(i) {
					return p.takeNamed(i)
				}
			}
			end, err := p.commandWord(i, letter)
			if err != nil {
				return false, err
			}
			i = end
			if c.Letter == 'M' && (takesText(c.Number) || c.Number == 486 && namesObject(s[i:])) {
				return p.takeText(start, i)
			}
			continue
		}
		if start < 0 && p.commands == 0 {
			if i+1 < len(s) && s[i+1] >= 'A' && p.named(i) {
				return p.takeNamed(i)
			}
			if letter == 'N' && !p.numbered {
				_, end, ok := scanNumber(s, i+1)
				if !ok {
					return p.fail(i, ErrNumber, "a line number belongs behind N")
				}
				p.numbered = true
				i = end
				continue
			}
		}
		if start < 0 {
			start = i
		}
		if c.Has&bit != 0 {
			return p.fail(i, ErrTwice, string(letter))
		}
		c.Has |= bit
		v, end, ok := scanNumber(s, i+1)
		if ok {
			c.Valued |= bit
			c.Value[letter-'A'] = v
			i = end
			continue
		}
		if end != i+1 {
			return p.fail(end-1, ErrNumber, "behind "+string(letter))
		}
		i++
		q := i
		for q < len(s) && (s[q] == ' ' || s[q] == '\t') {
			q++
		}
		if q < len(s) && s[q] == '"' {
			c.Quoted = true
			i = q
			end := closingQuote(s, i)
			if end < 0 {
				return p.fail(i, ErrCharacter, "the quotation mark is not closed")
			}
			i = end
		}
	}
	return p.finish(start, i, i)
}

// finish hands out the command that stands in line[start:end]; parsing goes on
// at next.
func (p *Parser) finish(start, end, next int) (bool, error) {
	p.pos = next
	if start < 0 {
		p.pos = len(p.line)
		return false, nil
	}
	c := &p.Command
	c.raw, c.column = p.line[start:end], start
	p.commands++
	if p.commands > 1 || next < len(p.line) && next == end {
		if p.moved && !endsProgram(c) {
			return p.fail(start, ErrAmbiguous, "put each on its own line")
		}
		p.moved = p.moved || !stepsAside(c)
	}
	return true, nil
}

// stepsAside reports commands that act the same whether the line is read from
// left to right or settings first: settings without parameters, tools, and
// every M command. A parameter behind a setting could belong to the motion that
// follows.
func stepsAside(c *Command) bool {
	switch c.Letter {
	case 'M':
		return true
	case 'T':
		return c.Has == 0
	case 'G':
		switch c.Number {
		case 17, 18, 19, 20, 21, 90, 91:
			return c.Has == 0
		case 92:
			return c.Valued&^Bit('E') == 0
		}
	}
	return false
}

func endsProgram(c *Command) bool {
	return c.Letter == 'M' && (c.Number == 0 || c.Number == 1 || c.Number == 2 || c.Number == 30)
}

// takesTool reports whether a T behind what was read is a parameter of it.
func (c *Command) takesTool() bool {
	return c.Letter == 'M' || c.Letter == 'G' && c.Number == 10
}

func (p *Parser) commandWord(i int, letter byte) (int, error) {
	c := &p.Command
	s := p.line
	j := i + 1
	if i+2 < len(s) && s[j]-'0' <= 9 && s[i+2] == ' ' { // the ordinary case
		c.Letter, c.Number = letter, int(s[j]-'0')
		return i + 2, nil
	}
	for j < len(s) && (s[j] == ' ' || s[j] == '\t') {
		j++
	}
	n, digits := 0, 0
	for j < len(s) && s[j]-'0' <= 9 {
		n = n*10 + int(s[j]-'0')
		digits++
		j++
		if digits > 6 {
			_, err := p.fail(j-1, ErrNumber, "too many digits")
			return 0, err
		}
	}
	if digits == 0 {
		if end := p.pseudoTool(letter, j); end > 0 {
			return end, nil
		}
		_, err := p.fail(i, ErrNumber, "a number belongs behind "+string(letter))
		return 0, err
	}
	sub := 0
	if j < len(s) && s[j] == '.' {
		j++
		for j < len(s) && s[j]-'0' <= 9 && sub < 1000 {
			sub = sub*10 + int(s[j]-'0')
			j++
		}
	}
	c.Letter, c.Number, c.Sub = letter, n, sub
	return j, nil
}

// pseudoTool reads what some files put behind T in place of a number: -1 for
// none, or a mark by which the firmware asks its own questions.
func (p *Parser) pseudoTool(letter byte, i int) int {
	c, s := &p.Command, p.line
	if letter != 'T' || i >= len(s) {
		return 0
	}
	end := i + 1
	switch s[i] {
	case '?', 'x', 'X', 'c', 'C':
	case '-':
		if i+1 >= len(s) || s[i+1] != '1' {
			return 0
		}
		end++
	default:
		return 0
	}
	if end < len(s) && s[end] != ' ' && s[end] != '\t' && s[end] != ';' && s[end] != '(' && s[end] != '*' {
		return 0
	}
	c.Letter, c.Number, c.Text = 'T', -1, s[i:end]
	return end
}

func (p *Parser) skipParens(i int) int {
	end, nested := closeParens(p.line, i)
	p.Nested = p.Nested || nested
	if end < 0 {
		p.Unclosed = true
		return len(p.line)
	}
	p.Parens = p.line[i+1 : end-1]
	return end
}

// closeParens finds the place behind the ')' that closes the '(' at s[i], or -1.
// Nested parentheses belong to the comment.
func closeParens(s []byte, i int) (end int, nested bool) {
	depth := 0
	for j := i; j < len(s); j++ {
		switch s[j] {
		case '(':
			depth++
			nested = nested || depth > 1
		case ')':
			if depth--; depth == 0 {
				return j + 1, nested
			}
		}
	}
	return -1, nested
}

// checksum verifies the sum at line[star] and returns the place behind it. The
// sum is the XOR of the bytes from the first that is not blank to the last
// before the '*' (RepRap).
func (p *Parser) checksum(star int) (int, error) {
	want, end, ok := scanNumber(p.line, star+1)
	if !ok || p.summed {
		_, err := p.fail(star, ErrChecksum, "a number belongs behind *")
		return 0, err
	}
	i := 0
	for i < star && (p.line[i] == ' ' || p.line[i] == '\t') {
		i++
	}
	if got := Checksum(p.line[i:star]); want != float64(got) {
		_, err := p.fail(star, ErrChecksum, fmt.Sprintf("it should be %d", got))
		return 0, err
	}
	return end, nil
}

// Checksum is the XOR of the bytes of a line up to its '*'.
func Checksum(line []byte) byte {
	var sum byte
	for _, b := range line {
		sum ^= b
	}
	return sum
}

// takesText reports the M commands whose rest of line is a string: program
// stops with a message, files on the card, messages, host notices; and those above
// 999, which are of one firmware each.
func takesText(n int) bool {
	switch n {
	case 0, 1, 16, 23, 28, 30, 32, 33, 36, 38, 117, 118, 550, 587, 588, 928:
		return true
	}
	return n > 999
}

// namesObject reports an A that names an object behind M486, without quotation
// marks: its rest of line is text, too.
func namesObject(s []byte) bool {
	for i, b := range s {
		switch b {
		case ';':
			return false
		case 'a', 'A':
			return i+1 < len(s) && s[i+1] != '"'
		}
	}
	return false
}

func (p *Parser) takeText(start, i int) (bool, error) {
	s := p.line
	end, next := len(s), len(s)
	for j := i; j < len(s); j++ {
		if s[j] == ';' {
			p.Comment = s[j+1:]
			end = j
			break
		}
	}
	if p.numbered {
		for j := end - 1; j > i; j-- {
			if s[j] == '*' {
				if _, err := p.checksum(j); err != nil {
					return false, err
				}
				p.summed = true
				end = j
				break
			}
		}
	}
	c := &p.Command
	c.Text = trim(s[i:end])
	if c.Number <= 1 || c.Number == 486 {
		p.leadingWords()
	}
	p.pos = next
	return p.finish(start, end, next)
}

// leadingWords reads the P and S of M0, M1 and M486, which stand in front of the text.
func (p *Parser) leadingWords() {
	c := &p.Command
	for i := 0; i < len(c.Text); {
		letter := c.Text[i] &^ 0x20
		if c.Text[i] == ' ' {
			i++
			continue
		}
		if letter != 'P' && letter != 'S' {
			return
		}
		v, end, ok := scanNumber(c.Text, i+1)
		if !ok {
			return
		}
		c.Has |= Bit(letter)
		c.Valued |= Bit(letter)
		c.Value[letter-'A'] = v
		i = end
	}
}

// named reports whether a named command starts at i: an identifier of three
// characters or more that is all capitals or holds an underscore, and behind it
// nothing but KEY=VALUE words. A value may stand in quotation marks; behind a
// name with an underscore, which nothing else has, it may hold blanks without.
func (p *Parser) named(i int) bool {
	s := p.line
	j, under, lower := i, false, false
	for ; j < len(s); j++ {
		switch ch := s[j]; {
		case ch == '_':
			under = true
			continue
		case ch >= 'a' && ch <= 'z':
			lower = true
			continue
		case ch >= 'A' && ch <= 'Z':
			continue
		case ch >= '0' && ch <= '9' && j > i+1:
			continue
		}
		break
	}
	if j-i < 3 || lower && !under || j < len(s) && s[j] != ' ' && s[j] != '\t' && s[j] != ';' {
		return false
	}
	if !under && digitIn(s[i:j]) {
		return false
	}
	for j < len(s) && s[j] != ';' {
		if s[j] == ' ' || s[j] == '\t' {
			j++
			continue
		}
		k, eq, quote := j, false, byte(0)
		for ; k < len(s) && s[k] != ';' && (quote != 0 || s[k] != ' ' && s[k] != '\t'); k++ {
			switch b := s[k]; {
			case b == quote:
				quote = 0
			case quote == 0 && eq && (b == '"' || b == '\''):
				quote = b
			}
			eq = eq || s[k] == '=' && k > j
		}
		if !eq {
			return false
		}
		if under {
			return true
		}
		j = k
	}
	return true
}

func digitIn(s []byte) bool {
	for _, c := range s {
		if c-'0' <= 9 {
			return true
		}
	}
	return false
}

func (p *Parser) takeNamed(i int) (bool, error) {
	s := p.line
	end := len(s)
	for j := i; j < len(s); j++ {
		if s[j] == ';' {
			p.Comment = s[j+1:]
			end = j
			break
		}
	}
	p.Command.Letter = '_'
	p.Command.Text = trim(s[i:end])
	p.Command.Has, p.Command.Valued = 0, 0
	return p.finish(i, end, len(s))
}

func closingQuote(s []byte, i int) int {
	for j := i + 1; j < len(s); j++ {
		if s[j] == '"' {
			if j+1 < len(s) && s[j+1] == '"' {
				j++
				continue
			}
			return j + 1
		}
	}
	return -1
}

func trim(s []byte) []byte {
	for len(s) > 0 && (s[0] == ' ' || s[0] == '\t') {
		s = s[1:]
	}
	for len(s) > 0 && (s[len(s)-1] == ' ' || s[len(s)-1] == '\t') {
		s = s[:len(s)-1]
	}
	return s
}

func blank(s []byte) bool { return len(trim(s)) == 0 }
