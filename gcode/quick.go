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
		w := binary.LittleEndian.Uint64(s[i : i+8])
		whole, digits := eightDigits(w)
		i += digits
		v := float64(whole)
		if digits < 8 && s[i] == '.' {
			i++
			part, more := eightDigits(binary.LittleEndian.Uint64(s[i : i+8]))
			if more == 8 {
				return false
			}
			i += more
			digits += more
			v = float64(whole*tens[more]+part) / pow10[more]
		} else if digits == 8 {
			return false
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
	c.Text, c.column = nil, 0
	c.raw = p.line[:min(i, n)]
	p.pos, p.commands = n, 1
	return true
}

// quickNot are the letters that may begin another command or a line.
const quickNot = 1<<('G'-'A') | 1<<('M'-'A') | 1<<('T'-'A') | 1<<('N'-'A')

// tens are the powers of ten that eight digits reach.
var tens = [8]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7}

// eightDigits reads the decimal digits at the start of eight bytes (the first in
// the lowest byte): their value, and how many there are.
func eightDigits(w uint64) (value uint64, digits int) {
	w ^= 0x3030303030303030
	// The high bit of every byte that is no digit, the lowest of them right.
	other := (w + 0x7676767676767676 | w) & 0x8080808080808080
	digits = bits.TrailingZeros64(other) >> 3
	w <<= uint(64-8*digits) & 127
	// Pairs, then fours, then eight (each byte now holds 0 to 9).
	w = w*10 + w>>8
	value = (w&0x000000FF000000FF*(100+1000000<<32) + w>>16&0x000000FF000000FF*(1+10000<<32)) >> 32
	return value, digits
}
