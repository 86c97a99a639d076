package gcode

import (
	"encoding/binary"
	"math/bits"
)

// NextMotion takes the next line when it is one motion command as slicers write
// it: G and one digit, then letters in upper case with plain numbers, one blank
// before each, perhaps a comment at the end. The command is then in p, of which
// Next has nothing more to say. It returns false for a line of any other form,
// which is then still the next.
//
// It does not look for the line's end first, as Next does, but comes upon it;
// and it takes digits eight at a time.
func (l *Lines) NextMotion(p *Parser) (line []byte, ok bool) {
	if l.afterCR && l.start < l.end {
		l.afterCR = false
		if l.buf[l.start] == '\n' {
			l.start++
		}
	}
	if l.number == 0 || l.afterCR || l.end-l.start < 4 {
		return nil, false
	}
	// What lies behind l.end was never a part of the file, or is no more: it may
	// be looked at, and decides nothing, since the line's end comes before it.
	s := (*[slackBytes]byte)(l.buf[l.start : l.start+slackBytes])
	d := s[1] - '0'
	if s[0] != 'G' || d > 3 || s[2] != ' ' {
		return nil, false
	}
	c := &p.Command
	var given uint32
	i := uint(2)
	for {
		if i > slackBytes-32 {
			return nil, false
		}
		b := s[i:]
		letter := b[1] - 'A'
		if b[0] != ' ' || letter > 25 {
			break
		}
		bit := uint32(1) << letter
		if bit&(given|quickNot) != 0 {
			return nil, false
		}
		given |= bit
		w := binary.LittleEndian.Uint64(b[2:])
		neg := byte(w) == '-'
		if neg {
			w = binary.LittleEndian.Uint64(b[3:])
			i++
		}
		w ^= zeros
		other := notDigits(w)
		var v float64
		// Most numbers have the form of the last behind the same letter: where the
		// next word begins need not wait for this one.
		f := &forms[p.form[letter]]
		if other&f.seen != f.marks {
			p.form[letter] = uint8(other >> 7 * 0x0102040810204080 >> 56)
			f = &forms[p.form[letter]]
		}
		if w&f.at == f.point {
			// The number and what ends it lie within eight bytes: close the gap that
			// the point leaves and read all digits at once.
			y := w * f.up
			v = float64(eightDigits(y<<8&f.whole|y&f.parts)) / f.scale
			i += f.bytes
		} else {
			if other == 0 {
				return nil, false
			}
			i += 2
			digits := uint(bits.TrailingZeros64(other)) >> 3
			whole := int64(0)
			if digits > 0 {
				whole = leading(w, digits)
			}
			i += digits
			v = float64(whole)
			if i < slackBytes-16 && s[i] == '.' {
				i++
				w = binary.LittleEndian.Uint64(s[i:]) ^ zeros
				more := uint(bits.TrailingZeros64(notDigits(w))) >> 3
				if more > 7 {
					return nil, false
				}
				i += more
				digits += more
				if more > 0 {
					v = float64(whole*tens[more]+leading(w, more)) / pow10[more]
				}
			}
			if digits == 0 {
				return nil, false
			}
		}
		if neg {
			v = -v
		}
		c.Value[letter] = v
	}
	if s[i] == ' ' {
		i++
	}
	rest := l.buf[l.start:l.end]
	end := int(i)
	if end >= len(rest) {
		return nil, false
	}
	var comment []byte
	switch rest[end] {
	case '\n', '\r':
	case ';':
		if end = l.lineEnd() - l.start; end <= int(i) || end > MaxLineBytes {
			return nil, false
		}
		comment = rest[i+1 : end : end]
	default:
		return nil, false
	}
	line = rest[:end:end]
	c.Letter, c.Number, c.Sub = 'G', int(d), 0
	c.Has, c.Valued = given, given
	c.Text, c.Quoted, c.column = nil, false, 0
	c.raw = rest[:i:i]
	p.Reset(line)
	p.pos, p.commands, p.Comment = end, 1, comment

	l.offset = l.base + int64(l.start)
	l.start += end + 1
	l.next = l.base + int64(l.start)
	l.afterCR = rest[end] == '\r'
	l.number++
	l.cut = false
	return line, true
}

// form is how a number with a point lies in eight bytes: which of them belong to
// its whole part, the point, the decimals. With w the bytes and y = w·up, y<<8
// has the whole part and y the decimals where the digits of one number without a
// point would lie.
type form struct {
	up, whole, parts uint64
	at, point        uint64  // the byte of the point, and the point
	seen, marks      uint64  // the bits of notDigits that show this form, and how
	scale            float64 // ten to the number of decimals
	bytes            uint    // a blank, a letter, and the number
}

// forms are all forms, by which bytes are no digits, the first in the lowest
// bit. Only the first two such bytes count, the point and what ends the number.
var forms = func() (t [256]form) {
	for i := range t {
		point := bits.TrailingZeros8(uint8(i))
		end := bits.TrailingZeros8(uint8(i & (i - 1)))
		if end > 7 || end < 2 { // an end not seen, or a point alone: nothing fits
			t[i].point, t[i].marks = 1, 1
			continue
		}
		up := 64 - 8*end
		t[i] = form{
			up:    1 << up,
			whole: (1<<(8*point) - 1) << (up + 8),
			parts: ^(1<<(up+8*point+8) - 1),
			at:    0xff << (8 * point), point: ('.' ^ '0') << (8 * point),
			seen: 1<<(8*end+8) - 1, marks: 0x80<<(8*point) | 0x80<<(8*end),
			scale: pow10[end-point-1], bytes: uint(end + 2),
		}
	}
	return t
}()

// quickNot are the letters that may begin another command or a line.
const quickNot = 1<<('G'-'A') | 1<<('M'-'A') | 1<<('T'-'A') | 1<<('N'-'A')

// tens are the powers of ten that eight digits reach.
var tens = [8]int64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7}

// zeros turns the digits of eight bytes into their values by exclusive or.
const zeros = 0x3030303030303030

// notDigits has the high bit of every byte of w that is above 9, up to the first
// above 137: the sum's carry may mark a byte behind that one.
func notDigits(w uint64) uint64 {
	return (w + 0x7676767676767676 | w) & 0x8080808080808080
}

// leading is the number that the first bytes of w spell, one digit in each, the
// first in the lowest byte; 1 to 8 of them.
func leading(w uint64, digits uint) int64 {
	return eightDigits(w << ((64 - 8*digits) & 63))
}

// eightDigits is the number that eight bytes spell, one digit in each, the first
// in the lowest byte.
func eightDigits(w uint64) int64 {
	// Pairs, then fours, then eight.
	w = w*10 + w>>8
	return int64((w&0x000000FF000000FF*(100+1000000<<32) + w>>16&0x000000FF000000FF*(1+10000<<32)) >> 32)
}
