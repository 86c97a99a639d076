package gcode

import (
	"encoding/binary"
	"math/bits"
)

// quick reads a line that is one motion command as slicers write it: G and one
// digit, then letters in upper case with plain numbers, one blank between words,
// perhaps a comment at the end. It returns false, having done nothing, for a line
// of any other form, which the grammar in Next then reads.
//
// Digits are taken eight at a time. The line's slice must reach slackBytes behind
// its end, as those of Lines do.
func (p *Parser) quick() bool {
	s := p.line
	n := len(s)
	if n < 4 || s[0] != 'G' || s[2] != ' ' || cap(s) < n+slackBytes {
		return false
	}
	d := s[1] - '0'
	if d > 3 {
		return false
	}
	c := &p.Command
	s = s[:n+slackBytes]
	var given uint32
	i := 2
	for i < n {
		if s[i] == ' ' {
			i++
			if i >= n {
				break
			}
		}
		letter := s[i] - 'A'
		if letter > 25 {
			if s[i] != ';' {
				return false
			}
			p.Comment = p.line[i+1:]
			break
		}
		bit := uint32(1) << letter
		if bit&(given|quickNot) != 0 {
			return false
		}
		given |= bit
		i++
		neg := s[i] == '-'
		if neg {
			i++
		}
		w := binary.LittleEndian.Uint64(s[i:i+8]) ^ zeros
		other := notDigits(w)
		digits := bits.TrailingZeros64(other) >> 3
		var v float64
		if behind := other & (other - 1); behind != 0 && s[i+digits] == '.' {
			// The number and what ends it lie within eight bytes: close the gap that
			// the point leaves and read all digits at once.
			at := uint(8*digits) & 63
			end := bits.TrailingZeros64(behind) >> 3
			more := end - digits - 1
			digits = end - 1
			w = w&(1<<at-1) | w>>(at+8)<<at
			v = float64(leading(w, digits)) / pow10[more]
			i += end
		} else {
			whole := leading(w, digits)
			i += digits
			v = float64(whole)
			if digits == 8 {
				return false
			}
			if s[i] == '.' {
				i++
				w = binary.LittleEndian.Uint64(s[i:i+8]) ^ zeros
				more := bits.TrailingZeros64(notDigits(w)) >> 3
				if more == 8 {
					return false
				}
				i += more
				digits += more
				v = float64(whole*tens[more]+leading(w, more)) / pow10[more]
			}
		}
		if digits == 0 || i > n || i+1 < n && s[i] == ' ' && s[i+1] < 'A' && s[i+1] != ';' {
			return false
		}
		if neg {
			v = -v
		}
		c.Value[letter] = v
	}
	c.Letter, c.Number, c.Sub = 'G', int(d), 0
	c.Has, c.Valued = given, given
	c.Text, c.Quoted, c.column = nil, false, 0
	c.raw = p.line[:min(i, n)]
	p.pos, p.commands = n, 1
	return true
}

// quickNot are the letters that may begin another command or a line.
const quickNot = 1<<('G'-'A') | 1<<('M'-'A') | 1<<('T'-'A') | 1<<('N'-'A')

// tens are the powers of ten that eight digits reach.
var tens = [8]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7}

// zeros turns the digits of eight bytes into their values by exclusive or.
const zeros = 0x3030303030303030

// notDigits has the high bit of every byte of w that is above 9.
func notDigits(w uint64) uint64 {
	return (w&0x7f7f7f7f7f7f7f7f + 0x7676767676767676 | w) & 0x8080808080808080
}

// leading is the number that the first bytes of w spell, one digit in each, the
// first in the lowest byte.
func leading(w uint64, digits int) uint64 {
	w <<= uint(64-8*digits) & 127
	// Pairs, then fours, then eight.
	w = w*10 + w>>8
	return (w&0x000000FF000000FF*(100+1000000<<32) + w>>16&0x000000FF000000FF*(1+10000<<32)) >> 32
}
