package link

// maxHeaters bounds what a temperature report may name.
const maxHeaters = 12

// heaters is what the last temperature reports said, in the order of first mention.
type heaters struct {
	list [maxHeaters]Heater
	n    int
}

// read takes over a report: 'T:20.66 /0.00 B:20.82 /0.00 @:0 B@:0', with or
// without blanks, with several hotends. Unknown fields are passed over. It
// returns false when the report held no temperature.
func (h *heaters) read(b []byte) bool {
	any := false
	last := -1
	for len(b) > 0 {
		for len(b) > 0 && b[0] == ' ' {
			b = b[1:]
		}
		if len(b) == 0 {
			break
		}
		if b[0] == '/' {
			v, rest, ok := leadingFloat(b[1:])
			if !ok {
				b = nextField(b)
				continue
			}
			if last >= 0 {
				h.list[last].TargetC = v
			}
			b = rest
			continue
		}
		name, duty, value, ok := fieldName(b)
		if !ok {
			b = nextField(b)
			last = -1
			continue
		}
		v, rest, ok := leadingFloat(value)
		if !ok {
			b = nextField(b)
			last = -1
			continue
		}
		b = rest
		i := h.index(name, !duty)
		if i < 0 {
			last = -1
			continue
		}
		if duty {
			// Duty runs from 0 to 127 in the families that report it.
			h.list[i].Duty = min(max(v/127, 0), 1)
			last = -1
			continue
		}
		h.list[i].ActualC = v
		last = i
		any = true
	}
	return any
}

// fieldName reads 'T:', 'T0:', 'B:', 'C:', '@:', '@0:', 'B@:', 'C@:'.
func fieldName(b []byte) (name string, duty bool, value []byte, ok bool) {
	i := 0
	switch b[0] {
	case 'T', 'B', 'C', '@':
		i = 1
	default:
		return "", false, b, false
	}
	letter := b[0]
	if letter == '@' {
		duty, letter = true, 'T'
	}
	digit := byte('0')
	if i < len(b) && isDigit(b[i]) {
		digit = b[i]
		i++
	}
	if i < len(b) && b[i] == '@' {
		duty = true
		i++
	}
	if i >= len(b) || b[i] != ':' {
		return "", false, b, false
	}
	switch letter {
	case 'B':
		name = "B"
	case 'C':
		name = "C"
	default:
		name = toolNames[digit-'0']
	}
	return name, duty, b[i+1:], true
}

var toolNames = [10]string{"T0", "T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8", "T9"}

func nextField(b []byte) []byte {
	for i := 1; i < len(b); i++ {
		if b[i-1] == ' ' && b[i] != ' ' {
			return b[i:]
		}
	}
	return nil
}

func (h *heaters) index(name string, create bool) int {
	for i := 0; i < h.n; i++ {
		if h.list[i].Name == name {
			return i
		}
	}
	if !create || h.n == maxHeaters {
		return -1
	}
	h.list[h.n] = Heater{Name: name, Duty: -1}
	h.n++
	return h.n - 1
}
