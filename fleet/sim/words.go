package sim

// words is one command as the firmware reads it: a letter, a code, and the
// numbers behind the other letters. A later word of the same letter wins.
type words struct {
	letter byte // 0 when the text does not begin with a letter and a number
	code   int
	sub    bool   // a decimal part behind the code
	seen   uint32 // letters that stand in the command
	valued uint32 // letters with a number behind them
	v      [26]float64
	text   []byte // the whole command
	arg    []byte // what follows the code and one space, for commands that take text

	// loose reads as family E does: lower case is upper case, a letter without a
	// number bears 0, and signs may be repeated.
	loose bool
}

// has says whether the letter stands in the command with a number behind it.
func (w *words) has(c byte) bool { return w.valued>>(c-'A')&1 != 0 }

// there says whether the letter stands in the command at all.
func (w *words) there(c byte) bool { return w.seen>>(c-'A')&1 != 0 }

// get is the number behind the letter, or def.
func (w *words) get(c byte, def float64) float64 {
	if w.has(c) {
		return w.v[c-'A']
	}
	return def
}

// read takes a command apart. No family reads exponents: an e behind a number is
// a letter of its own, or nothing.
func (w *words) read(text []byte) {
	fold := w.loose
	w.text, w.arg, w.letter, w.code, w.sub, w.seen, w.valued = text, nil, 0, 0, false, 0, 0
	i := 0
	for i < len(text) && text[i] == ' ' {
		i++
	}
	if i == len(text) {
		return
	}
	c := upper(text[i], fold)
	if c < 'A' || c > 'Z' {
		return
	}
	i++
	for i < len(text) && text[i] == ' ' {
		i++
	}
	digits := i
	for i < len(text) && text[i] >= '0' && text[i] <= '9' {
		if w.code < 1<<20 {
			w.code = w.code*10 + int(text[i]-'0')
		}
		i++
	}
	if i == digits {
		return
	}
	w.letter = c
	if i < len(text) && text[i] == '.' {
		w.sub = true
	}
	w.arg = text[i:]
	if len(w.arg) > 0 && w.arg[0] == ' ' {
		w.arg = w.arg[1:]
	}
	for i < len(text) {
		c := upper(text[i], fold)
		i++
		if c < 'A' || c > 'Z' {
			continue
		}
		bit := uint32(1) << (c - 'A')
		w.seen |= bit
		for i < len(text) && text[i] == ' ' {
			i++
		}
		if w.loose {
			for i+1 < len(text) && text[i] == '-' && text[i+1] == '-' {
				i++
			}
			w.v[c-'A'] = 0
			w.valued |= bit
		}
		if v, n := number(text[i:]); n > 0 {
			w.v[c-'A'] = v
			w.valued |= bit
			i += n
		}
	}
}

func upper(c byte, fold bool) byte {
	if fold && c >= 'a' && c <= 'z' {
		return c - 'a' + 'A'
	}
	return c
}

var tens = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16}

// number reads sign, digits, point, digits and says how many bytes that took;
// 0 when there is no digit. Digits beyond what a float64 holds are read and
// dropped.
func number(s []byte) (v float64, n int) {
	i, neg := 0, false
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		neg = s[i] == '-'
		i++
	}
	var m uint64
	digits, places, point := 0, 0, false
	for ; i < len(s); i++ {
		c := s[i]
		if c == '.' && !point {
			point = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if m < 1e15 && places < len(tens)-1 {
			m = m*10 + uint64(c-'0')
			if point {
				places++
			}
		}
	}
	if digits == 0 {
		return 0, 0
	}
	v = float64(m) / tens[places]
	if neg {
		v = -v
	}
	return v, i
}
