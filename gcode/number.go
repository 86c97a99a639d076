package gcode

// Numbers follow NIST RS274/NGC section 3.3.2.1: an optional sign, digits with
// at most one point, one digit at least, no exponent; blanks may stand anywhere
// inside.

// maxDigits is how many significant digits are kept; 10^18 fits an int64.
const maxDigits = 18

// pow10 holds powers that are exact in float64.
var pow10 = [...]float64{
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10,
	1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// scanNumber reads a number at s[i:], leading blanks allowed, and returns its
// value and the place behind its last digit or point. ok is false when no digit
// was found or the number has more whole digits than can be kept; then end is
// the place of the trouble, or i when nothing number-like stood there.
//
// The value is the nearest float64 up to 15 significant digits (one correctly
// rounded division of two exact values); beyond that it is within two units in
// the last place.
func scanNumber(s []byte, i int) (value float64, end int, ok bool) {
	j := i
	neg := j < len(s) && s[j] == '-'
	if neg {
		j++
	}
	// The ordinary case: digits, perhaps a point, digits, and then no blank that
	// more digits could follow.
	var mant uint64
	k := j
	for k < len(s) {
		d := s[k] - '0'
		if d > 9 {
			break
		}
		mant = mant*10 + uint64(d)
		k++
	}
	digits, frac := k-j, 0
	if k < len(s) && s[k] == '.' {
		k++
		f := k
		for k < len(s) {
			d := s[k] - '0'
			if d > 9 {
				break
			}
			mant = mant*10 + uint64(d)
			k++
		}
		frac = k - f
		digits += frac
	}
	if uint(digits-1) >= maxDigits-1 || k+1 < len(s) && s[k] <= ' ' && s[k+1] < 'A' {
		return scanOddNumber(s, i)
	}
	value = float64(mant)
	if frac > 0 {
		value /= pow10[frac]
	}
	if neg {
		value = -value
	}
	return value, k, true
}

// leastValue is what a number after hundreds of zeros must reach to count as more
// than zero. Below 2e-308 float64 loses digits one by one.
const leastValue = 1e-285

// scanOddNumber is scanNumber for every case.
func scanOddNumber(s []byte, i int) (value float64, end int, ok bool) {
	start := i
	for i < len(s) && (s[i] == ' ' || s[i] == '\t') {
		i++
	}
	neg := false
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		neg = s[i] == '-'
		i++
		end = i
	}
	var mant int64
	kept, frac, digits := 0, 0, 0
	point := false
	end = i
	for ; i < len(s); i++ {
		c := s[i]
		if d := c - '0'; d <= 9 {
			digits++
			end = i + 1
			if kept < maxDigits {
				mant = mant*10 + int64(d)
				if mant > 0 {
					kept++
				}
				if point {
					frac++
				}
			} else if !point {
				return 0, i, false
			}
			continue
		}
		if c == '.' && !point {
			point = true
			end = i + 1
			continue
		}
		if c == ' ' || c == '\t' {
			continue
		}
		break
	}
	if digits == 0 {
		if end == start || (!point && !neg && end > start && s[end-1] != '+') {
			return 0, start, false
		}
		return 0, end, false
	}
	value = float64(mant)
	for frac > len(pow10)-1 {
		value /= 1e22
		frac -= 22
	}
	if frac > 0 {
		value /= pow10[frac]
	}
	if value < leastValue {
		value = 0
	}
	if neg {
		value = -value
	}
	return value, end, true
}

// ParseNumber reads the whole of s as one number.
func ParseNumber(s []byte) (float64, error) {
	v, end, ok := scanNumber(s, 0)
	if ok {
		for end < len(s) && (s[end] == ' ' || s[end] == '\t') {
			end++
		}
		ok = end == len(s)
	}
	if !ok {
		return 0, &SyntaxError{Column: end + 1, Text: string(s), Err: ErrNumber}
	}
	return v, nil
}
