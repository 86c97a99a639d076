package reprint

import "undercroft/gcode"

// shiftWords writes a command as it is sent (letters in capitals, one blank
// between words) with amounts added to its X, Y and Z, which are given in the
// file's units, and without its F when dropF is set. Numbers keep at least the
// decimals that they had.
func shiftWords(dst, wire []byte, add [3]float64, decimals int, dropF bool) []byte {
	for i := 0; i < len(wire); {
		j := i + 1
		for j < len(wire) && wire[j] != ' ' {
			j++
		}
		word := wire[i:j]
		for j < len(wire) && wire[j] == ' ' {
			j++
		}
		i = j
		if dropF && word[0] == 'F' {
			continue
		}
		if len(dst) > 0 && dst[len(dst)-1] != '\n' {
			dst = append(dst, ' ')
		}
		axis := int(word[0]) - 'X'
		if axis < 0 || axis > 2 || add[axis] == 0 || len(word) < 2 {
			dst = append(dst, word...)
			continue
		}
		v, err := gcode.ParseNumber(word[1:])
		if err != nil {
			dst = append(dst, word...)
			continue
		}
		dst = appendNumber(append(dst, word[0]), v+add[axis], max(decimals, decimalsOf(word)))
	}
	return dst
}

// decimalsOf counts the digits behind the point, at most 8.
func decimalsOf(word []byte) int {
	for i, b := range word {
		if b == '.' {
			return min(len(word)-i-1, 8)
		}
	}
	return 0
}
